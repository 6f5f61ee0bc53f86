"""Closing an order: all of it or nothing, once however often it is sent, and nothing done is lost."""

import logging
import uuid
from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.assessment import runs
from fleet.models import Flush, MeterReading, Part, PerformanceReading, ReadinessState, UnitState
from fleet.register.parts import replace as replace_part
from scheduling.models import (
    CloseOut,
    CloseOutPart,
    OrderState,
    StockLevel,
    StockMovement,
    WorkOrder,
    WorkOrderEvent,
)
from scheduling.orders import raising, steps, work_orders
from scheduling.visits import close_out as visits_close_out
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
ON_SITE = NOW - timedelta(hours=1)


@pytest.fixture
def job():
    """A change order for a carbon cartridge on somebody's route today."""
    steps.ensure_step_sheets(NOW)
    unit = factories.whole_unit()
    old = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = factories.work_order(unit, part=old, cause_key=f"change_due:part:{old.pk}")
    technician = factories.technician(branch=unit.site.branch)
    factories.route(technician, [order])
    order.refresh_from_db()
    return order, technician, old


def form_for(order, technician, **given):
    values = {
        "client_id": uuid.uuid4(),
        "order_id": order.pk,
        "technician_id": technician.pk,
        "outcome": "done",
        "finished_at": ON_SITE,
        "minutes": 45,
        "steps": steps.all_done(order.kind),
        "part_changes": [PartChange("carbon", "worn", order.part.kind.code, lot="L77")] if order.part else [],
        "flush": FlushForm(volume_gal=22, minutes=22, ran_clear=True),
    }
    return CloseOutForm(**values | given)


def counts():
    tables = [CloseOut, CloseOutPart, Part, Flush, WorkOrder, WorkOrderEvent, StockMovement, MeterReading]
    return {table.__name__: table.objects.count() for table in tables}


def test_a_change_restarts_the_life_records_the_flush_and_closes_the_order(job):
    order, technician, old = job
    row = close_out(form_for(order, technician), by=technician.person, now=NOW)
    old.refresh_from_db()
    order.refresh_from_db()
    new = Part.objects.in_place().get(position=old.position)
    assert (old.removal_reason, new.lot) == ("worn", "L77")
    assert old.removed_at == new.installed_at == ON_SITE - timedelta(minutes=22)
    assert (row.flush.part_id, row.flush.kind, row.flush.volume_gal) == (new.pk, "carbon_fines", 22)
    assert order.state == OrderState.DONE
    assert row.stop.orders.get().is_in_force
    assert row.drive_minutes == 20
    assert new.state.wear < 0.05  # assessed anew: its life has just begun


def test_sending_it_again_changes_nothing_and_gives_the_same_close_out(job):
    order, technician, _ = job
    form = form_for(order, technician)
    first = close_out(form, by=None, now=NOW)
    before = counts()
    for _ in range(2):
        assert close_out(form, by=None, now=NOW + timedelta(minutes=5)).pk == first.pk
    assert counts() == before


def test_the_same_number_with_other_content_is_refused(job):
    order, technician, _ = job
    form = form_for(order, technician)
    close_out(form, by=None, now=NOW)
    with pytest.raises(DomainError, match="What was received first stands"):
        close_out(replace(form, minutes=46), by=None, now=NOW)


def test_readings_reach_the_fleet_and_are_named_by_the_close_out(job):
    order, technician, _ = job
    total = MeterReading.objects.latest("read_at").total + 15
    row = close_out(
        form_for(order, technician, meter_total=total,
                 performance={"permeate_flow_gpm": 0.35, "feed_temperature_c": 15}),
        by=None, now=NOW,
    )  # fmt: skip
    assert MeterReading.objects.get(read_at=ON_SITE).total == total
    assert PerformanceReading.objects.get(pk=row.performance_reading_id).permeate_flow_gpm == 0.35


def test_bedding_marks_the_unit_and_raises_tomorrows_flush_for_the_same_technician_once(job):
    order, technician, _ = job
    row = close_out(form_for(order, technician, outcome="bedding", flush=None), by=None, now=NOW)
    order.refresh_from_db()
    follow_up = row.follow_up
    assert order.state == OrderState.DONE
    assert row.flush.kind == "bed_started"
    assert (follow_up.follows, follow_up.preferred_technician) == (order, technician)
    assert (follow_up.window_from, follow_up.window_to) == (
        TODAY + timedelta(days=1), TODAY + timedelta(days=2)
    )  # fmt: skip
    assert UnitState.objects.get(treatment_unit=order.treatment_unit).readiness == ReadinessState.BEDDING
    follow_up.refresh_from_db()
    assert follow_up.finding is not None
    tomorrow = NOW + timedelta(days=1)
    runs.assess_units([order.treatment_unit_id], tomorrow)
    raising.raise_work(now=tomorrow)
    flushes = WorkOrder.objects.open().filter(kind="reflush_required", part=row.parts.get().installed)
    assert flushes.get() == follow_up


def test_the_second_flush_clears_the_unit_and_closes_its_order(job):
    order, technician, _ = job
    membrane = Part.objects.get(treatment_unit=order.treatment_unit, position__code="membrane")
    post = Part.objects.get(treatment_unit=order.treatment_unit, position__code="post-carbon")
    for part, kind in ((membrane, "membrane_storage_solution"), (post, "carbon_fines")):
        Flush.objects.create(treatment_unit=order.treatment_unit, part=part, kind=kind, ran_clear=True,
                             flushed_at=NOW - timedelta(days=100), volume_gal=20)  # fmt: skip
    follow_up = close_out(
        form_for(order, technician, outcome="bedding", flush=None), by=None, now=NOW
    ).follow_up
    tomorrow = NOW + timedelta(days=1)
    form = form_for(follow_up, technician, part_changes=[], finished_at=tomorrow,
                    steps=steps.all_done("reflush_required"))  # fmt: skip
    row = close_out(form, by=None, now=tomorrow)
    assert row.flush.kind == "bedded_overnight"
    state = UnitState.objects.get(treatment_unit=order.treatment_unit)
    assert state.readiness == ReadinessState.IN_SERVICE
    assert not WorkOrder.objects.open().filter(kind="reflush_required").exists()


@pytest.mark.parametrize(
    ("changed", "kind"),
    [
        (["membrane"], "membrane_storage_solution"),
        (["carbon"], "carbon_fines"),
        (["carbon", "membrane"], "carbon_fines"),
        (["sediment"], "carbon_fines"),
    ],
)
def test_the_flush_is_of_the_kind_that_what_was_changed_calls_for(job, changed, kind):
    _, technician, old = job
    unit = old.treatment_unit
    order = factories.work_order(unit, "one_off")
    changes = [
        PartChange(code, "worn", Part.objects.get(treatment_unit=unit, position__code=code).kind.code)
        for code in changed
    ]
    row = close_out(form_for(order, technician, part_changes=changes), by=None, now=NOW)
    assert row.flush.kind == kind
    # Of one part that needs it, else of the whole treatment unit.
    assert (row.flush.part is not None) == (changed in (["membrane"], ["carbon"]))


def test_a_flush_of_a_stated_kind_is_of_that_kind_and_an_owed_one_pays_what_is_owed(job):
    _, technician, old = job
    for owed, kind in (("seen_fines", "carbon_fines"), ("idle", "idle"), ("sanitised", "sanitised")):
        order = factories.work_order(old.treatment_unit, "reflush_required", numbers={"owed": owed})
        assert close_out(form_for(order, technician), by=None, now=NOW).flush.kind == kind
    order = factories.work_order(old.treatment_unit, "reflush_required", numbers={"owed": "idle"})
    stated = FlushForm(volume_gal=22, minutes=22, ran_clear=True, kind="sanitised")
    assert close_out(form_for(order, technician, flush=stated), by=None, now=NOW).flush.kind == "sanitised"


def test_work_is_judged_by_the_sheet_the_phone_had(job):
    order, technician, _ = job
    sheet = steps.current_sheet(order.kind)
    record = steps.all_done(order.kind)
    new = {"code": "new_control", "text": "Lock the pump out.", "is_hazard_control": True}
    newer = steps.revise(
        order.kind, cautions=list(sheet.cautions), steps=[*sheet.steps, new], by=None, now=NOW
    )
    for version in (None, newer.version, 999):
        with pytest.raises(DomainError, match="Lock the pump out"):
            close_out(form_for(order, technician, steps=record, step_sheet_version=version), by=None, now=NOW)
    row = close_out(
        form_for(order, technician, steps=record, step_sheet_version=sheet.version), by=None, now=NOW
    )
    assert row.step_sheet_version == sheet.version


def test_a_sheet_of_another_kind_of_work_is_not_the_phones(job):
    order, technician, _ = job
    other = steps.current_sheet("reading")
    for _ in range(2):
        other = steps.revise(
            "reading", cautions=list(other.cautions), steps=list(other.steps), by=None, now=NOW
        )
    with pytest.raises(DomainError, match="is safety-critical"):
        close_out(form_for(order, technician, steps=[], step_sheet_version=other.version), by=None, now=NOW)


def test_a_flush_that_did_not_run_clear_leaves_a_flush_owed(job):
    order, technician, _ = job
    close_out(form_for(order, technician, flush=FlushForm(volume_gal=10, minutes=10)), by=None, now=NOW)
    owed = WorkOrder.objects.open().filter(kind="reflush_required")
    assert owed.exists()


def test_what_could_not_be_done_stays_open_and_leaves_the_route(job):
    order, technician, _ = job
    row = close_out(
        form_for(order, technician, outcome="not_done", note="nobody in", flush=None, part_changes=[]),
        by=None, now=NOW,
    )  # fmt: skip
    order.refresh_from_db()
    assert order.state == OrderState.OPEN
    assert not order.stops.filter(is_in_force=True).exists()
    assert row.note == "nobody in"
    close_out(form_for(order, technician), by=None, now=NOW)
    assert CloseOut.objects.filter(order=order).count() == 2


def test_a_part_leaves_the_van_lot_by_lot_and_never_below_nothing(job):
    order, technician, _ = job
    level = factories.van(technician, order.part.kind, 1)
    StockLevel.objects.filter(pk=level.pk).update(lot="L77")
    close_out(form_for(order, technician), by=None, now=NOW)
    level.refresh_from_db()
    assert level.quantity == 0
    assert StockMovement.objects.get().quantity == -1
    again = factories.work_order(
        order.treatment_unit, part=Part.objects.in_place().get(position=order.part.position)
    )
    close_out(form_for(again, technician), by=None, now=NOW)
    level.refresh_from_db()
    assert level.quantity == 0
    assert "count the van" in again.events.get(what="stock short").detail
    assert WorkOrder.objects.get(pk=again.pk).state == OrderState.DONE


def test_a_skipped_hazard_control_is_shown_to_the_planner(job):
    order, technician, _ = job
    record = [
        {**entry, "done": False, "skipped_because": "hard-wired; breaker locked"}
        if entry["code"] == "lock_out" else entry
        for entry in steps.all_done(order.kind)
    ]  # fmt: skip
    close_out(form_for(order, technician, steps=record), by=None, now=NOW)
    assert "breaker locked" in order.events.get(what="hazard control skipped").detail


def test_the_drive_to_a_stop_counts_once():
    unit = factories.treatment_unit()
    orders = [factories.work_order(unit, "one_off", part=None) for _ in range(2)]
    technician = factories.technician(branch=unit.site.branch)
    route = factories.route(technician, orders[:1])
    route.stops.get().orders.create(order=orders[1], is_in_force=True)
    WorkOrder.objects.update(state="on_route")
    rows = [close_out(form_for(order, technician, flush=None), by=None, now=NOW) for order in orders]
    assert [row.drive_minutes for row in rows] == [20, 0]


def test_work_done_by_somebody_else_frees_the_route_it_stood_on(job):
    order, technician, _ = job
    other = factories.technician(branch=technician.branch)
    row = close_out(form_for(order, other), by=None, now=NOW)
    assert (row.stop, row.drive_minutes) == (None, 0)
    assert not order.stops.filter(is_in_force=True).exists()
    assert WorkOrder.objects.get(pk=order.pk).state == OrderState.DONE


def withdrawn(order, technician, form):
    work_orders.withdraw(order, by=None, reason="customer left", now=NOW)
    return form


def done_by_another(order, technician, form):
    close_out(form_for(order, technician), by=None, now=NOW)
    return form


def part_changed(order, technician, form):
    replace_part(order.part, kind=order.part.kind, at=NOW - timedelta(hours=3), reason="worn")
    return form


CLASHES = [
    (withdrawn, "have the planner reopen"),
    (done_by_another, "have the planner undo the other one"),
    (part_changed, "talk to the planner"),
    (lambda o, t, f: replace(f, order_id=999_999), "choose the order there"),
    (lambda o, t, f: replace(f, technician_id=999_999), "Log in again"),
    (lambda o, t, f: replace(f, outcome="great"), "Choose one of: done"),
    (lambda o, t, f: replace(f, minutes=9999), "Give 0 to 1440"),
    (lambda o, t, f: replace(f, finished_at=NOW + timedelta(days=1)), "phone's clock"),
    (lambda o, t, f: replace(f, finished_at=NOW.replace(tzinfo=None)), "with its zone"),
    (lambda o, t, f: replace(f, steps=[]), "write why it was not done"),
    (lambda o, t, f: replace(f, part_changes=[]), "could not be done"),
    (lambda o, t, f: replace(f, part_changes=[*f.part_changes, *f.part_changes]), "each position once"),
    (lambda o, t, f: replace(f, part_changes=[PartChange("cellar", "worn", "x"), *f.part_changes]),
     "Choose one of: sediment"),
    (lambda o, t, f: replace(f, part_changes=[replace(f.part_changes[0], kind_code="nonesuch")]),
     "add it to the catalogue"),
    (lambda o, t, f: replace(f, part_changes=[replace(f.part_changes[0], removal_reason="")]),
     "Choose one of: worn"),
    (lambda o, t, f: replace(f, part_changes=[replace(f.part_changes[0], lot="L" * 70)]), "Correct lot"),
    (lambda o, t, f: replace(f, flush=FlushForm(ran_clear=True)), "gallons"),
    (lambda o, t, f: replace(f, flush=FlushForm(volume_gal=5, kind="rain")), "Choose one of: carbon_fines"),
    (lambda o, t, f: replace(f, flush=FlushForm(volume_gal=-5)), "Check gallons"),
    (lambda o, t, f: replace(f, further_flushes=[f.flush] * 20), "Check the list"),
    (lambda o, t, f: replace(f, meter_total=-3), "register shows"),
    (lambda o, t, f: replace(f, performance={"feed_pressure_psi": 1e9}), "Check the value"),
    (lambda o, t, f: replace(f, outcome="not_done"), "Say in the note why"),
    (lambda o, t, f: replace(f, outcome="not_done", note="x"), "Choose “done”"),
]  # fmt: skip


@pytest.mark.parametrize(("spoil", "remedy"), CLASHES)
def test_every_refusal_names_its_remedy_and_writes_nothing(job, spoil, remedy):
    order, technician, _ = job
    form = spoil(order, technician, form_for(order, technician))
    before = counts()
    with pytest.raises(DomainError) as refusal:
        close_out(form, by=None, now=NOW)
    assert remedy in refusal.value.remedy
    assert counts() == before


@pytest.mark.parametrize(
    ("kind", "given", "remedy"),
    [
        ("reflush_required", {"flush": None}, "whether it ran clear"),
        ("reading", {"flush": None}, "can't be read"),
        ("one_off", {"flush": None, "outcome": "bedding"}, "Choose “done”"),
    ],
)
def test_each_kind_of_work_closes_only_with_what_it_is_about(kind, given, remedy):
    unit = factories.treatment_unit()
    order = factories.work_order(unit, kind)
    technician = factories.technician(branch=unit.site.branch)
    with pytest.raises(DomainError) as refusal:
        close_out(form_for(order, technician, **given), by=None, now=NOW)
    assert remedy in refusal.value.remedy


SOON = NOW + timedelta(minutes=10)
FLUSH = FlushForm(volume_gal=22, minutes=2, ran_clear=True)


@pytest.mark.parametrize(
    ("kept", "refused", "field"),
    [
        ({"minutes": 0}, {"minutes": -1}, "minutes"),
        ({"minutes": 1440}, {"minutes": 1441}, "minutes"),
        ({"finished_at": SOON}, {"finished_at": SOON + timedelta(seconds=1)}, "finished_at"),
        ({"flush": replace(FLUSH, minutes=1440)}, {"flush": replace(FLUSH, minutes=1441)}, "flush"),
        ({"flush": replace(FLUSH, minutes=0)}, {"flush": replace(FLUSH, minutes=-1)}, "flush"),
        (
            {"flush": replace(FLUSH, volume_gal=100_000)},
            {"flush": replace(FLUSH, volume_gal=100_001)},
            "flush",
        ),
        ({"further_flushes": [FLUSH] * 7}, {"further_flushes": [FLUSH] * 8}, "flush"),
    ],
)
def test_the_last_value_that_can_be_is_taken_and_the_next_is_not(job, kept, refused, field):
    order, technician, _ = job
    with pytest.raises(DomainError) as refusal:
        close_out(form_for(order, technician, **refused), by=None, now=NOW)
    assert refusal.value.field == field
    close_out(form_for(order, technician, **kept), by=None, now=NOW)


@pytest.mark.parametrize(
    ("flushes", "minutes_before"),
    [([], 1), ([0.5], 1), ([1], 1), ([22], 22), ([22, 8], 30)],
)
def test_a_part_went_in_before_its_flushes_began(job, flushes, minutes_before):
    order, technician, _ = job
    first, *others = [replace(FLUSH, minutes=minutes) for minutes in flushes] or [None]
    row = close_out(form_for(order, technician, flush=first, further_flushes=others), by=None, now=NOW)
    assert row.parts.get().installed.installed_at == ON_SITE - timedelta(minutes=minutes_before)


def test_a_part_goes_in_no_earlier_than_the_one_it_follows(job):
    order, technician, old = job
    Part.objects.filter(pk=old.pk).update(installed_at=ON_SITE - timedelta(minutes=5))
    row = close_out(form_for(order, technician), by=None, now=NOW)
    assert row.parts.get().installed.installed_at == ON_SITE - timedelta(minutes=5)


def test_a_change_is_not_done_by_another_part_nor_by_an_empty_place(job):
    order, technician, old = job
    sediment = Part.objects.get(treatment_unit=old.treatment_unit, position__code="sediment")
    for change in (PartChange("carbon", "worn"), PartChange("sediment", "worn", sediment.kind.code)):
        with pytest.raises(DomainError, match="asks for a new part in carbon") as refusal:
            close_out(form_for(order, technician, part_changes=[change]), by=None, now=NOW)
        assert refusal.value.field == "part_changes"


def test_parts_or_flushes_alone_are_work_that_was_done(job):
    order, technician, _ = job
    for given in ({"flush": None}, {"part_changes": []}):
        with pytest.raises(DomainError, match="recorded for work that could not be done"):
            close_out(form_for(order, technician, outcome="not_done", note="x", **given), by=None, now=NOW)


@pytest.mark.parametrize(
    ("given", "is_taken"),
    [({"meter_total": 8000.0}, True), ({"note": "The register is fogged."}, True), ({"note": "  "}, False)],
)
def test_a_reading_is_taken_or_it_is_said_why_not(job, given, is_taken):
    _, technician, old = job
    order = factories.work_order(old.treatment_unit, "reading")
    form = form_for(order, technician, flush=None, **given)
    if is_taken:
        assert close_out(form, by=None, now=NOW).outcome == "done"
    else:
        with pytest.raises(DomainError, match="asks for a reading"):
            close_out(form, by=None, now=NOW)


def test_a_bed_begun_beside_other_work_is_the_first_new_one_along_the_water(job):
    _, technician, old = job
    unit = old.treatment_unit
    order = factories.work_order(unit, "one_off")
    changes = [
        PartChange(code, "worn", Part.objects.get(treatment_unit=unit, position__code=code).kind.code)
        for code in ("post-carbon", "carbon", "membrane")
    ]
    form = form_for(order, technician, outcome="bedding", flush=None, part_changes=changes)
    row = close_out(form, by=None, now=NOW)
    assert (row.flush.kind, row.flush.part.position.code) == ("bed_started", "carbon")
    assert row.follow_up.part == row.flush.part


def test_a_withdrawn_order_reopened_by_the_planner_takes_the_report_that_was_refused(job):
    order, technician, _ = job
    form = form_for(order, technician)
    work_orders.withdraw(order, by=None, reason="customer left", now=NOW)
    with pytest.raises(DomainError):
        close_out(form, by=None, now=NOW)
    work_orders.reopen(order, by=None, reason="was done", now=NOW)
    assert close_out(form, by=None, now=NOW).outcome == "done"


def test_an_assessment_that_fails_costs_nothing_that_was_closed(job, monkeypatch, caplog):
    order, technician, _ = job

    def broken(*args):
        raise RuntimeError("numbers went astray")

    monkeypatch.setattr(visits_close_out.runs, "assess_units", broken)
    with caplog.at_level(logging.CRITICAL):
        close_out(form_for(order, technician), by=None, now=NOW)
    order.refresh_from_db()
    assert order.state == OrderState.DONE
    assert CloseOutPart.objects.count() == 1


def test_nothing_stays_half_written_when_it_dies_on_the_way(job, monkeypatch):
    order, technician, _ = job

    def dies(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(visits_close_out, "_close_order", dies)
    before = counts()
    with pytest.raises(KeyboardInterrupt):
        close_out(form_for(order, technician), by=None, now=NOW)
    assert counts() == before


@pytest.mark.parametrize("days", [401, 46_000])
def test_work_of_another_year_or_before_the_unit_was_in_service_is_refused(job, days):
    order, technician, _old = job
    before = counts()
    with pytest.raises(DomainError, match="which can't be") as refused:
        close_out(form_for(order, technician, finished_at=NOW - timedelta(days=days)), by=None, now=NOW)
    assert refused.value.field == "finished_at"
    order.treatment_unit.commissioned_on = TODAY - timedelta(days=3)
    order.treatment_unit.save()
    with pytest.raises(DomainError, match="which can't be"):
        close_out(form_for(order, technician, finished_at=NOW - timedelta(days=5)), by=None, now=NOW)
    assert counts() == before
