"""Hand-over to the books: each entry once, taxes as lines, the same file every time."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum

from scheduling.billing import invoicing, revenue
from scheduling.billing.invoice_views import csv_text
from scheduling.models import ClosedMonth, InvoiceLine, RevenueEntry, TaxRate
from shared.errors import DomainError
from tests import factories

pytestmark = pytest.mark.django_db
NOV = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
GIVEN = {"currency": "USD", "by": None}


@pytest.fixture
def plan():
    return factories.plan(factories.site(area="Northfield"), amount="60.00", starts_on=date(2026, 9, 1))


def tax(**given) -> TaxRate:
    usual = {"code": "ST", "name": "Sales tax", "percent": Decimal("6.25"), "from_on": date(2020, 1, 1)}
    return TaxRate.objects.create(**usual | given)


def test_each_entry_is_handed_over_once_and_later_batches_hold_only_what_is_new(plan):
    first = invoicing.end_month(date(2026, 9, 15), now=NOV, **GIVEN)
    assert first.closed == [date(2026, 9, 1)]
    second = invoicing.end_month(date(2026, 10, 1), now=NOV, **GIVEN)
    assert [batch.lines.get().month for batch in (first.batch, second.batch)] == [
        date(2026, 9, 1), date(2026, 10, 1),
    ]  # fmt: skip
    with pytest.raises(DomainError, match="handed over already"):
        invoicing.end_month(date(2026, 10, 1), now=NOV, **GIVEN)
    assert InvoiceLine.objects.aggregate(total=Sum("amount"))["total"] == Decimal("120.00")


def test_an_open_month_is_not_handed_over(plan):
    revenue.enter_revenue(through=date(2026, 9, 1), now=NOV)
    with pytest.raises(DomainError, match="2026-09 is still open"):
        invoicing.make_batch(through=date(2026, 9, 1), now=NOV, **GIVEN)
    assert not InvoiceLine.objects.exists()


def test_ending_a_month_closes_the_open_ones_before_it_oldest_first(plan):
    found = invoicing.end_month(date(2026, 10, 31), now=NOV, **GIVEN)
    assert found.closed == [date(2026, 9, 1), date(2026, 10, 1)]
    assert ClosedMonth.objects.count() == found.batch.lines.count() == 2


def test_a_tax_is_a_line_of_its_own_by_the_rate_in_force_and_the_area(plan):
    tax()
    tax(percent=Decimal("6.875"), from_on=date(2026, 10, 1))
    tax(code="CITY", name="City tax", percent=Decimal("1"), area="Elsewhere")
    batch = invoicing.end_month(date(2026, 10, 1), now=NOV, **GIVEN).batch
    rows = list(batch.lines.values_list("number", "kind", "amount", "tax_percent"))
    assert rows == [
        (1, "plan", Decimal("60.00"), None),
        (2, "tax", Decimal("3.75"), Decimal("6.250")),
        (3, "plan", Decimal("60.00"), None),
        (4, "tax", Decimal("4.13"), Decimal("6.875")),
    ]
    untaxed = batch.lines.filter(tax_rate__isnull=True).aggregate(total=Sum("amount"))["total"]
    assert untaxed == RevenueEntry.objects.aggregate(total=Sum("amount"))["total"]


@pytest.mark.parametrize(
    ("given", "amounts"),
    [
        ({"from_on": date(2026, 9, 1)}, ["3.75", "3.75"]),
        ({"from_on": date(2026, 9, 2)}, ["3.75"]),
        ({"from_on": date(2026, 10, 2)}, []),
        ({"area": "Northfield"}, ["3.75", "3.75"]),
        ({"area": "Northfields"}, []),
        ({"falls_on_plans": False}, []),
        ({"falls_on_work": False, "falls_on_parts": False}, ["3.75", "3.75"]),
        ({"percent": Decimal("0")}, []),
        ({"percent": Decimal("0.005")}, []),
    ],
)
def test_a_tax_falls_from_its_first_day_in_its_area_on_what_it_names(plan, given, amounts):
    tax(**given)
    batch = invoicing.end_month(date(2026, 10, 1), now=NOV, **GIVEN).batch
    assert [str(line.amount) for line in batch.lines.filter(kind="tax")] == amounts


def test_a_correction_is_taxed_like_what_it_corrects(plan):
    tax(falls_on_plans=False)
    revenue.enter_revenue(through=date(2026, 10, 1), now=NOV)
    entry = RevenueEntry.objects.get(month=date(2026, 9, 1))
    revenue.correct(entry, to_amount=Decimal("40.00"), because="Agreed", by=None, now=NOV)
    batch = invoicing.end_month(date(2026, 9, 1), now=NOV, **GIVEN).batch
    assert [line.amount for line in batch.lines.all()] == [Decimal("60.00"), Decimal("-20.00")]


def test_the_file_of_a_batch_stays_the_same_when_everything_around_it_changes(plan):
    batch = invoicing.end_month(date(2026, 9, 1), now=NOV, **GIVEN).batch
    before = csv_text(batch)
    plan.site.customer.name = "=HYPERLINK(1)"
    plan.site.customer.save()
    plan.site.name = "Renamed"
    plan.site.save()
    tax()
    invoicing.end_month(date(2026, 10, 1), now=NOV, **GIVEN)
    assert csv_text(batch) == before
    header, line = before.removeprefix("\ufeff").splitlines()
    assert header.split(",")[:4] == ["batch", "line", "entry", "taxed_entry"]
    assert ",60.00,USD," in line


def test_no_text_in_the_file_can_act_as_a_formula(plan):
    plan.site.customer.name = "=1+1"
    plan.site.customer.save()
    batch = invoicing.end_month(date(2026, 9, 1), now=NOV, **GIVEN).batch
    assert ",'=1+1," in csv_text(batch)


def test_the_database_itself_refuses_to_hand_an_entry_over_twice(plan):
    batch = invoicing.end_month(date(2026, 9, 1), now=NOV, **GIVEN).batch
    line = batch.lines.get()
    line.pk, line.number = None, 2
    with pytest.raises(IntegrityError), transaction.atomic():
        line.save(force_insert=True)
