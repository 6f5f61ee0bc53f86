"""Assessment of stored fleets: repeatable, divisible, all or nothing, one finding per cause."""

import json
from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.management import call_command
from django.db import IntegrityError, transaction
from django.utils import translation

from fleet.assessment import findings, runs
from fleet.assessment.explain import explain_unit
from fleet.models import (
    AssessmentShard,
    Finding,
    FindingKind,
    Flush,
    PartState,
    ReadinessChange,
    ShardState,
    TreatmentUnit,
    UnitState,
)
from fleet.readings.flushes import record_flush
from fleet.register.parts import replace
from fleet.tasks import assess_fleet as assess_fleet_task
from fleet.tasks import take_up_lost_shards
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def rows(model, *leave_out):
    """Every row as plain values, without the columns named."""
    hidden = {"id", *leave_out}
    names = [field.attname for field in model._meta.concrete_fields if field.attname not in hidden]
    return sorted(tuple(map(repr, row)) for row in model.objects.values_list(*names))


def everything(*leave_out):
    return {model.__name__: rows(model, *leave_out) for model in (PartState, UnitState, Finding)}


def standing(unit=None):
    these = Finding.objects.filter(gone_at__isnull=True)
    return set((these.filter(treatment_unit=unit) if unit else these).values_list("cause_key", flat=True))


@pytest.fixture
def unit():
    """One treatment unit whose carbon and membrane were never flushed."""
    made = make.whole_unit()
    Flush.objects.all().delete()
    return made


def test_assessing_twice_changes_nothing(unit):
    runs.assess_fleet(NOW)
    first, changes = everything(), ReadinessChange.objects.count()
    run = runs.assess_fleet(NOW)
    assert everything() == first
    assert ReadinessChange.objects.count() == changes
    assert (run.counts["found"], run.counts["changed"], run.counts["gone"]) == (0, 0, 0)
    assert first["Finding"]
    assert len(first["PartState"]) == 4


def test_shards_of_one_give_the_same_rows_as_one_shard():
    for _ in range(3):
        make.whole_unit()
    TreatmentUnit.objects.filter(pk=TreatmentUnit.objects.first().pk).update(is_out_of_service=True)
    run = runs.assess_fleet(NOW, shard_size=100)
    whole = everything()
    assert run.shards.count() == 1
    for model in (Finding, PartState, UnitState):
        model.objects.all().delete()
    run = runs.assess_fleet(NOW, shard_size=1)
    assert run.shards.count() == 3
    assert everything() == whole


def test_a_failure_amid_writing_leaves_nothing_and_the_shard_can_be_claimed_later(unit, monkeypatch):
    run = runs.start_run(NOW)
    (shard_id,) = run.shards.values_list("id", flat=True)

    def fail(*args, **more):
        assert PartState.objects.count() == 4, "states are written before findings"
        raise RuntimeError("the power went")

    with monkeypatch.context() as patched:
        patched.setattr(findings, "sync_findings", fail)
        with pytest.raises(RuntimeError):
            runs.assess_claimed(shard_id, NOW)
    assert not PartState.objects.exists()
    assert not UnitState.objects.exists()
    assert not Finding.objects.exists()
    assert not ReadinessChange.objects.exists()
    assert AssessmentShard.objects.get().state == ShardState.CLAIMED

    too_early, later = NOW + runs.CLAIM_LASTS, NOW + runs.CLAIM_LASTS + timedelta(seconds=1)
    assert runs.waiting_shards(too_early) == []
    assert not runs.assess_claimed(shard_id, too_early)
    assert runs.waiting_shards(later) == [shard_id]
    assert runs.assess_claimed(shard_id, later)
    shard = AssessmentShard.objects.get()
    assert (shard.state, shard.attempts) == (ShardState.DONE, 2)
    # As of the run, not of the repeat.
    assert set(PartState.objects.values_list("assessed_at", flat=True)) == {NOW}
    run.refresh_from_db()
    assert run.finished_at == later


def test_a_done_shard_is_not_done_again(unit):
    run = runs.assess_fleet(NOW)
    (shard_id,) = run.shards.values_list("id", flat=True)
    assert not runs.assess_claimed(shard_id, NOW + timedelta(days=1))
    assert run.counts["units"] == 1


def test_an_empty_fleet_is_a_finished_run():
    run = runs.assess_fleet(NOW)
    assert run.finished_at == NOW
    assert run.shards.count() == 0


def test_a_recorded_flush_takes_the_finding_away_and_the_change_of_readiness_is_kept(unit):
    runs.assess_fleet(NOW)
    owed = [key for key in standing() if key.startswith("reflush_required")]
    assert len(owed) == 1
    later = NOW + timedelta(hours=3)
    for kind in ("carbon_fines", "membrane_storage_solution", "bedded_overnight"):
        for part in unit.parts.in_place().filter(kind__needs_flush=True):
            record_flush(treatment_unit=unit, part=part, kind=kind, at=NOW + timedelta(hours=1),
                         volume_gal=60, minutes=60, ran_clear=True)  # fmt: skip
    runs.assess_units([unit.pk], later)
    assert not [key for key in standing() if key.startswith("reflush_required")]
    gone = Finding.objects.get(cause_key=owed[0])
    assert (gone.gone_at, gone.gone_because) == (later, "a flush that ran clear was recorded")
    assert [(c.was, c.became) for c in ReadinessChange.objects.order_by("id")] == [
        ("", "flush_owed"),
        ("flush_owed", "in_service"),
    ]


def test_replacing_the_worn_part_ends_its_finding_and_its_state(unit):
    old = unit.parts.get(position__code="post-carbon")
    type(old).objects.filter(pk=old.pk).update(installed_at=NOW - timedelta(days=400))
    runs.assess_fleet(NOW)
    key = f"change_due:part:{old.pk}"
    assert key in standing(unit)
    later = NOW + timedelta(hours=2)
    fresh = replace(old, kind=old.kind, at=NOW + timedelta(hours=1), reason="worn")
    runs.assess_units([unit.pk], later)
    assert key not in standing(unit)
    assert Finding.objects.get(cause_key=key).gone_because == "the part is no longer in place"
    assert set(PartState.objects.values_list("part_id", flat=True)) == set(
        unit.parts.in_place().values_list("pk", flat=True)
    )
    assert PartState.objects.get(part_id=fresh.pk).wear < 0.05


def test_a_silent_meter_is_asked_after_until_a_reading_comes():
    unit = make.treatment_unit()
    meter = make.meter(unit)
    make.weekly_readings(meter, until=NOW - timedelta(days=60))
    key = f"reading_wanted:unit:{unit.pk}"
    runs.assess_fleet(NOW)
    assert key in standing()
    total = unit_total(meter) + 60 * 20
    make.meter_reading(meter, total, NOW + timedelta(hours=1))
    runs.assess_units([unit.pk], NOW + timedelta(hours=2))
    assert key not in standing()
    assert Finding.objects.get(cause_key=key).gone_because == "a reading came in"


@pytest.mark.parametrize(("zone", "days"), [("America/Chicago", 46), ("Etc/UTC", 45)])
def test_a_meters_silence_is_counted_in_days_of_its_site(zone, days):
    unit = make.treatment_unit(site=make.site(time_zone=zone))
    # At 21:00 on 17 September in Chicago; now it is 9:00 on 2 November there.
    make.weekly_readings(make.meter(unit), until=datetime(2026, 9, 18, 2, tzinfo=UTC))
    runs.assess_fleet(NOW)
    asked = Finding.objects.filter(cause_key=f"reading_wanted:unit:{unit.pk}").first()
    assert (asked is not None) == (days > 45)
    if asked:
        assert asked.numbers["last_read_on"] == "2026-09-17"
        assert f"silent for {days} days" in asked.why


def test_a_flush_is_owed_since_the_day_at_its_site(unit):
    unit.parts.update(installed_at=datetime(2026, 10, 21, 2, tzinfo=UTC))  # 20 October in Chicago
    runs.assess_fleet(NOW)
    owed = Finding.objects.filter(kind=FindingKind.REFLUSH_REQUIRED)
    assert {finding.early_on for finding in owed} == {date(2026, 10, 20)}


def unit_total(meter):
    return meter.readings.order_by("-read_at").first().total


def test_a_growing_cause_rewrites_its_one_finding_and_a_small_change_does_not(unit):
    runs.assess_fleet(NOW)
    key = next(key for key in standing() if key.startswith("change_due"))
    before = Finding.objects.get(cause_key=key)
    runs.assess_units([unit.pk], NOW + timedelta(minutes=5))
    assert Finding.objects.get(cause_key=key).changed_at == before.changed_at
    much_later = NOW + timedelta(days=40)
    runs.assess_units([unit.pk], much_later)
    after = Finding.objects.get(cause_key=key)
    assert (after.pk, after.found_at, after.changed_at) == (before.pk, NOW, much_later)
    assert after.strength > before.strength


def test_findings_are_the_same_words_in_whatever_language_they_were_asked_for(unit):
    """Pages translate what is stored; what is stored must not depend on who pressed the button."""
    runs.assess_fleet(NOW)
    said = everything()["Finding"], rows(ReadinessChange)
    assert any("since" in row for row in map(str, said[0]))
    for model in (Finding, PartState, UnitState, ReadinessChange):
        model.objects.all().delete()
    with translation.override("es"):
        runs.assess_fleet(NOW)
    assert (everything()["Finding"], rows(ReadinessChange)) == said


def test_a_cause_that_comes_back_is_a_finding_of_its_own(unit):
    runs.assess_fleet(NOW)
    key = next(key for key in standing() if key.startswith("change_due"))
    Finding.objects.filter(cause_key=key).update(gone_at=NOW, gone_because="for the test")
    runs.assess_units([unit.pk], NOW + timedelta(hours=1))
    assert Finding.objects.filter(cause_key=key).count() == 2
    assert Finding.objects.filter(cause_key=key, gone_at__isnull=True).count() == 1


def test_the_database_keeps_two_findings_of_one_cause_apart(unit):
    one = make.finding(unit, cause_key="change_due:part:1")
    with pytest.raises(IntegrityError), transaction.atomic():
        make.finding(unit, cause_key="change_due:part:1")
    Finding.objects.filter(pk=one.pk).update(gone_at=NOW, gone_because="done")
    make.finding(unit, cause_key="change_due:part:1")


def test_a_unit_out_of_service_asks_for_nothing(unit):
    TreatmentUnit.objects.update(is_out_of_service=True)
    runs.assess_fleet(NOW)
    assert standing() == set()
    assert UnitState.objects.get().readiness == "out_of_service"


def test_assessing_some_units_leaves_the_others_alone():
    one, other = make.whole_unit(), make.whole_unit()
    runs.assess_units([one.pk], NOW)
    assert list(UnitState.objects.values_list("treatment_unit_id", flat=True)) == [one.pk]
    assert standing(other) == set()
    assert runs.assess_units([], NOW).units == 0


def test_the_task_and_the_command_write_the_same(unit, time_machine, settings, capsys):
    time_machine.move_to(NOW, tick=False)
    settings.SHARD_SIZE = 1
    make.whole_unit()
    assess_fleet_task.apply(throw=True)
    by_task = everything()
    for model in (Finding, PartState, UnitState):
        model.objects.all().delete()
    call_command("assess", "--json")
    assert everything() == by_task
    assert json.loads(capsys.readouterr().out)["units"] == 2


def test_lost_shards_are_taken_up_by_the_task(unit, time_machine):
    runs.start_run(NOW)
    time_machine.move_to(NOW + timedelta(minutes=1))
    take_up_lost_shards.apply(throw=True)
    assert AssessmentShard.objects.get().state == ShardState.DONE
    assert standing()


def test_the_figures_behind_a_due_date_can_be_worked_out_again_by_hand(unit):
    runs.assess_fleet(NOW)
    state = PartState.objects.get(part__position__code="post-carbon")
    numbers, limits = state.numbers, state.numbers["limits"]
    assert limits["volume"]["wear"] == pytest.approx(numbers["seen_gal"] / numbers["rated_gal"], rel=1e-3)
    # 150 days in place of 12 mean Gregorian months.
    assert limits["calendar"]["wear"] == pytest.approx(150 / 365.2425, rel=1e-3)
    assert state.wear == max(limit["wear"] for limit in limits.values())
    told = explain_unit(unit.serial, NOW)
    assert unit.serial in told
    as_data = json.loads(explain_unit(unit.serial, NOW, as_json=True))
    by_position = {part["position"]: part for part in as_data["parts"]}
    assert by_position["post-carbon"]["numbers"] == numbers


def test_a_nights_shard_that_comes_late_does_not_undo_what_a_later_assessment_knew(unit):
    run = runs.start_run(NOW)
    flushed_at, assessed_at = NOW + timedelta(minutes=5), NOW + timedelta(minutes=6)
    for kind in ("carbon_fines", "membrane_storage_solution"):
        for part in unit.parts.in_place().filter(kind__needs_flush=True):
            record_flush(treatment_unit=unit, part=part, kind=kind, at=flushed_at,
                         volume_gal=60, minutes=60, ran_clear=True)  # fmt: skip
    runs.assess_units([unit.pk], assessed_at)
    known = everything()
    assert UnitState.objects.get().readiness == "in_service"
    (shard_id,) = run.shards.values_list("id", flat=True)
    assert runs.assess_claimed(shard_id, NOW + timedelta(minutes=10))
    assert everything() == known
    run.refresh_from_db()
    assert run.finished_at is not None
    assert run.counts["units"] == 0
