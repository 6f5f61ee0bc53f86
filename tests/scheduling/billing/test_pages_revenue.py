"""The owner's review on the page: sums to the cent, what moved them, and the entries behind each number."""

import io
from datetime import date
from decimal import Decimal
from itertools import pairwise

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from fleet.models import UnitState
from scheduling.billing import review as revenue_queries
from scheduling.billing.bridge import Bridge
from scheduling.billing.charts import bridge, bridge_bars
from scheduling.models import PlanPrice, RevenueEntry, ServicePlan
from tests import factories as make

pytestmark = pytest.mark.django_db
NOTHING = Decimal("0.00")


@pytest.fixture
def owner(client, time_machine):
    """The owner, logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("owner"))
    return client


def review(client, **asked):
    return client.get(reverse("revenue_review"), asked).context["found"]


def entry(site, amount: str, month=date(2026, 11, 1), **given) -> RevenueEntry:
    return RevenueEntry.objects.create(
        kind="work", cause_key=f"test:{make.number()}", site=site, month=month, amount=Decimal(amount),
        text="Work", entered_at=make.NOW, **given,
    )  # fmt: skip


def test_recurring_revenue_is_a_month_s_share_of_each_plan_and_the_lines_add_up(owner):
    make.plan(make.site(), amount="60.00")
    make.plan(make.site(), amount="100.00", interval="quarter")
    make.plan(make.site(), amount="1000.00", interval="year")
    make.plan(make.site(), amount="500.00", ends_on=date(2026, 10, 1))
    found = review(owner)
    assert sorted(row["recurring"] for row in found.sites) == [
        NOTHING, Decimal("33.33"), Decimal("60.00"), Decimal("83.33")
    ]  # fmt: skip
    assert found.bridge.end == Decimal("176.66") == sum(row["recurring"] for row in found.sites)
    assert found.bridge.yearly == 12 * found.bridge.end


def test_what_moved_it_adds_up_from_one_month_to_the_next(owner):
    make.plan(make.site(), amount="60.00")
    make.plan(make.site(), amount="25.00", starts_on=date(2026, 11, 1))
    make.plan(make.site(), amount="40.00", ends_on=date(2026, 11, 1))
    grown = make.plan(make.site(), amount="50.00")
    PlanPrice.objects.create(plan=grown, from_on=date(2026, 11, 1), amount=Decimal("55.55"))
    shrunk = make.plan(make.site(), amount="30.00")
    PlanPrice.objects.create(plan=shrunk, from_on=date(2026, 11, 2), amount=Decimal("20.00"))
    moved = review(owner).bridge
    assert moved.start == Decimal("180.00")
    assert dict(moved.steps) == {
        "New": Decimal("25.00"), "Grown": Decimal("5.55"), "Resumed": NOTHING, "Shrunk": Decimal("-10.00"),
        "Paused": NOTHING, "Lost": Decimal("-40.00"),
    }  # fmt: skip
    assert moved.end == moved.start + sum(amount for _, amount in moved.steps)


def test_a_price_of_the_past_stays_in_its_month(owner):
    plan = make.plan(make.site(), amount="50.00")
    PlanPrice.objects.create(plan=plan, from_on=date(2026, 11, 1), amount=Decimal("70.00"))
    assert review(owner, month="2026-10").bridge.end == Decimal("50.00")
    assert review(owner, month="2026-11").bridge.end == Decimal("70.00")


def test_revenue_is_at_risk_where_work_is_overdue_or_units_are_unready_or_decaying(owner):
    quiet, late, unready, decaying = (make.site() for _ in range(4))
    for where, amount in ((quiet, "10.00"), (late, "20.00"), (unready, "40.00"), (decaying, "80.00")):
        make.plan(where, amount=amount)
    make.work_order(
        make.treatment_unit(site=late), window_from=date(2026, 10, 1), window_to=date(2026, 10, 9)
    )
    for where, state in ((unready, {"readiness": "flush_owed"}), (decaying, {"is_decaying": True})):
        unit = make.treatment_unit(site=where)
        UnitState.objects.create(treatment_unit=unit, assessed_at=make.NOW, **state)
    found = review(owner)
    assert (found.at_risk, found.at_risk_sites) == (Decimal("140.00"), 3)
    assert {row["site_code"]: row["risks"] for row in found.sites if row["risks"]} == {
        late.code: "1 overdue", unready.code: "1 unready", decaying.code: "1 decaying"
    }  # fmt: skip
    assert len(review(owner, at_risk="on").sites) == 3


def test_renewals_stand_with_the_last_day_of_notice(owner):
    plan = make.plan(make.site(), renews_on=date(2026, 11, 20), notice_days=30)
    make.plan(make.site(), renews_on=date(2027, 6, 1))
    make.plan(make.site(), renews_on=date(2026, 11, 20), ends_on=date(2026, 10, 1))
    (row,) = review(owner).renewals
    assert (row["plan"], row["notice_by"], row["is_notice_over"]) == (plan.code, date(2026, 10, 21), True)


def test_of_many_renewals_the_page_shows_the_first_and_the_file_has_all(owner, monkeypatch):
    monkeypatch.setattr(revenue_queries, "RENEWALS_SHOWN", 2)
    for day in (22, 20, 21):
        make.plan(make.site(), renews_on=date(2026, 11, day))
    answer = owner.get(reverse("revenue_review"))
    assert [row["renews_on"].day for row in answer.context["lists"]["renewals"].rows] == [20, 21]
    assert "The first 2 of 3; the file has all." in answer.content.decode()
    file = owner.get(reverse("revenue_review"), {"list": "renewals", "as": "csv"})
    assert len(b"".join(file.streaming_content).decode().splitlines()) == 4


def test_each_number_opens_the_entries_behind_it_and_their_sum_is_the_number(owner):
    here, there = make.site(), make.site()
    for amount in ("10.10", "20.20", "0.03"):
        entry(here, amount)
    entry(there, "99.99")
    entry(here, "50.00", date(2026, 10, 1))
    line = next(row for row in review(owner).sites if row["site_code"] == here.code)
    page = owner.get(reverse("revenue_entries"), {"month": "2026-11", "site": here.code}).context
    assert (
        line["earned_month"]
        == page["sums"]["total"]
        == Decimal("30.33")
        == sum(row.amount for row in page["rows"])
    )
    whole = owner.get(reverse("revenue_entries"), {"site": here.code}).context
    assert line["earned_year"] == whole["sums"]["total"] == Decimal("80.33")


def test_many_cents_add_up_exactly_also_where_the_database_adds_in_floating_point(owner):
    where = make.site()
    for _ in range(300):
        entry(where, "0.10")
    assert owner.get(reverse("revenue_entries")).context["sums"]["total"] == Decimal("30.00")
    assert review(owner).earned == Decimal("30.00")


def test_the_number_of_queries_does_not_grow_with_the_sites(owner, django_assert_max_num_queries):
    make.plan(make.site())
    owner.get(reverse("revenue_review"))
    where = [make.site() for _ in range(60)]
    for one in where:
        make.plan(one)
    with django_assert_max_num_queries(10):
        owner.get(reverse("revenue_review"))


def test_the_workbook_holds_numbers_that_can_be_added(owner):
    make.plan(make.site(), amount="60.00")
    make.plan(make.site(name="-2+3"), amount="12.34")
    answer = owner.get(reverse("revenue_file", args=["xlsx"]))
    sheet = load_workbook(io.BytesIO(b"".join(answer.streaming_content))).active
    titles = [cell.value for cell in sheet[1]]
    at = titles.index("Recurring a month")
    assert sum(row[at].value for row in sheet.iter_rows(min_row=2)) == pytest.approx(72.34)
    names = {
        row[titles.index("Site")].value: row[titles.index("Site")].data_type
        for row in sheet.iter_rows(min_row=2)
    }
    assert names["-2+3"] == "s"


def test_sorting_and_searching_keep_the_totals(owner):
    make.plan(make.site(name="Birch House"), amount="10.00")
    make.plan(make.site(name="Alder House"), amount="90.00")
    by_name = review(owner, sort="site")
    assert [row["site_name"] for row in by_name.sites] == ["Alder House", "Birch House"]
    searched = review(owner, words="birch")
    assert [row["site_name"] for row in searched.sites] == ["Birch House"]
    assert searched.bridge.end == Decimal("100.00")


def test_somebody_of_one_branch_sees_only_its_money(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    here = make.branch()
    make.plan(make.site(branch=here), amount="10.00")
    make.plan(make.site(), amount="90.00")
    client.force_login(make.person("owner", branch=here))
    assert review(client).bridge.end == Decimal("10.00")


def test_the_review_of_an_empty_company_says_what_to_do(owner):
    assert not ServicePlan.objects.exists()
    assert "Bring plans in with the spreadsheet" in owner.get(reverse("revenue_review")).content.decode()


def test_the_bars_of_the_bridge_lead_from_start_to_end():
    steps = {
        "new": "20.00",
        "grown": "5.50",
        "resumed": "0",
        "shrunk": "-0.50",
        "paused": "0",
        "lost": "-25.00",
    }
    moves = Bridge(
        "", "All", start=Decimal("100.00"), end=Decimal("100.00"),
        **{name: Decimal(amount) for name, amount in steps.items()},
    )  # fmt: skip
    bars = bridge_bars(moves)
    assert bars[0]["to"] == bars[1]["from"] == 100.0
    for before, after in pairwise(bars[:-1]):
        assert after["from"] == before["to"]
    assert bars[-1]["to"] == 100.0
    chart = bridge(moves)
    assert "<svg" in chart.svg
    assert "style=" not in chart.svg
    assert chart.rows[-1] == ["This month", "100.00"]


@pytest.mark.parametrize("month", ["9999-12", "0001-01", "2026-13", "²"])
@pytest.mark.parametrize("name", ["revenue_review", "revenue_entries", "owner_bridge"])
def test_a_month_of_no_company_is_this_month(client, name, month):
    client.force_login(make.person("owner"))
    assert client.get(reverse(name), {"month": month, "since": month}).status_code == 200
