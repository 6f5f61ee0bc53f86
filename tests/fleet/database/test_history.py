"""History that was altered, lost or made anew is found; a person's name may go; writing waits for no seal."""

import io
from decimal import Decimal

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections, models, transaction

from fleet.database import history
from fleet.models import AuditArea, AuditEntry, HistorySeal
from fleet.people import audit
from scheduling.models import (
    ClosedMonth,
    InvoiceBatch,
    InvoiceLine,
    PlanPrice,
    PlanTerms,
    RevenueEntry,
    TaxRate,
    WorkOrderEvent,
)
from scheduling.operations import backups
from scheduling.orders import states
from shared.model_parts import history_models
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def entry(**given) -> RevenueEntry:
    usual = {"kind": "plan", "cause_key": f"plan:{factories.number()}", "site": factories.site(),
             "month": NOW.date().replace(day=1), "amount": Decimal("49.50"), "text": "Care of Amber Bakery",
             "entered_at": NOW}  # fmt: skip
    return RevenueEntry.objects.create(**usual | given)


@pytest.fixture
def sealed():
    """Two entries and an order's event, sealed."""
    rows = [entry(), entry(amount=Decimal("10.00"))]
    order = factories.work_order(factories.treatment_unit())
    states.note(order, "raised", "by hand", at=NOW, by=None)
    audit.note("price set", area=AuditArea.MONEY, about="Amber Bakery", by=None, now=NOW)
    assert history.seal() >= 4
    assert history.seal() == 0
    return rows


def places(proof):
    return proof.altered + proof.lost


def plain(model):
    return models.QuerySet(model)


def test_what_nobody_touched_is_whole_and_later_rows_join_the_chain(sealed):
    first = history.verify()
    assert (first.is_whole, first.unsealed, first.seals) == (True, 0, HistorySeal.objects.count())
    entry()
    assert history.verify().unsealed == 1
    assert history.seal() == 1
    later = history.verify(expected=first.head)
    assert later.is_whole
    assert later.head != first.head


@pytest.mark.parametrize("change", ["amount", "month", "lost", "event lost", "trail"])
def test_a_row_altered_or_lost_is_named(sealed, change):
    row = sealed[1]
    if change == "amount":
        plain(RevenueEntry).filter(pk=row.pk).update(amount=Decimal("10.01"))
    elif change == "month":
        plain(RevenueEntry).filter(pk=row.pk).update(month="2025-01-01")
    elif change == "lost":
        plain(RevenueEntry).filter(pk=row.pk).delete()
    elif change == "event lost":
        row = WorkOrderEvent.objects.first()
        plain(WorkOrderEvent).filter(pk=row.pk).delete()
    else:
        row = AuditEntry.objects.first()
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                cursor.execute("ALTER TABLE fleet_auditentry DISABLE TRIGGER ALL")
        plain(AuditEntry).filter(pk=row.pk).update(what="something else")
    assert places(history.verify()) == [f"{row._meta.db_table} {row.pk or sealed[1].pk}"]
    with pytest.raises(CommandError, match="History was changed"):
        call_command("verify_history", stdout=io.StringIO(), stderr=io.StringIO())


def test_a_chain_made_anew_or_cut_off_does_not_have_the_noted_head(sealed):
    noted = history.head()
    HistorySeal.objects.all().delete()
    plain(RevenueEntry).filter(pk=sealed[0].pk).update(amount=Decimal("1.00"))
    assert places(history.verify(expected=noted)) == [f"seal {noted.split(':')[0]}"]
    history.seal()
    assert history.verify().is_whole
    assert not history.verify(expected=noted).is_whole


def test_erasing_names_leaves_history_whole(sealed):
    RevenueEntry.objects.update(text="Care of erased customer 1")
    WorkOrderEvent.objects.update(detail="erased")
    audit.put_marks(["Amber Bakery"], "erased customer 1")
    assert AuditEntry.objects.get().about == "erased customer 1"
    assert history.verify().is_whole


def test_every_column_that_may_change_is_text_or_a_taking_back():
    tables = {model: model.history for model in history_models()}
    assert {AuditEntry, RevenueEntry, InvoiceBatch, InvoiceLine, WorkOrderEvent, ClosedMonth} <= set(tables)
    assert {TaxRate, PlanPrice, PlanTerms, HistorySeal} <= set(tables)
    for model, how in tables.items():
        for name in (*how.changeable, *how.unsealed):
            field = model._meta.get_field(name)
            assert name.startswith("taken_back") or isinstance(field, models.CharField | models.TextField), (
                name
            )
        assert how.sealed(model)


@pytest.mark.django_db(transaction=True)
def test_a_backup_is_looked_through_as_well(sealed, settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path / "media"
    # Tests may open the databases of the settings only, and those that aren't listed.
    monkeypatch.setattr(type(connections), "__iter__", lambda self: iter(["default"]))
    whole, _ = backups.back_up(tmp_path / "one", now=NOW, prove=False)
    noted = history.head()
    plain(RevenueEntry).filter(pk=sealed[0].pk).update(amount=Decimal("1.00"))
    altered, _ = backups.back_up(tmp_path / "two", now=NOW, prove=False)
    call_command("verify_history", backup=whole, expect=noted, stdout=io.StringIO())
    told = io.StringIO()
    with pytest.raises(CommandError, match="1 altered, 0 lost"):
        call_command("verify_history", backup=altered, expect=noted, stderr=told)
    assert f"altered: scheduling_revenueentry {sealed[0].pk}" in told.getvalue()


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_writing_history_waits_for_no_sealer(sealed):
    other = connection.copy()
    with transaction.atomic(), other.cursor() as cursor:
        history._one_at_a_time("default")
        cursor.execute("SET lock_timeout = '500ms'")
        cursor.execute("INSERT INTO scheduling_closedmonth (month, closed_at) VALUES ('2026-01-01', now())")
        entry()
    other.close()
