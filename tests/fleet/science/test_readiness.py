"""Owed flushes: what begins them, what clears them, and nothing else does."""

import numpy as np
import pytest

from fleet.science.columns import FlushKind, OwedFlush, PartRole, Readiness
from fleet.science.readiness import ROUNDING_D, flush_minutes
from tests.fleet.science.small_shard import assess, flushed, gauges, joined, meter, part, steady, units

CARBON = part(PartRole.CARBON, days_ago=10, part_id=5)
MEMBRANE = part(PartRole.MEMBRANE, days_ago=10, part_id=6, place=1)
FINES, SECOND, STORAGE = (
    FlushKind.CARBON_FINES,
    FlushKind.BEDDED_OVERNIGHT,
    FlushKind.MEMBRANE_STORAGE_SOLUTION,
)
BED, IDLE, CLEAN = FlushKind.BED_STARTED, FlushKind.IDLE, FlushKind.SANITISED


def ready(*flushes, parts=CARBON, **tables):
    found = assess(**({"readings": steady(40.0)} | tables), parts=parts, flushes=flushed(*flushes)).readiness
    return Readiness(found.state[0]), OwedFlush(found.owed[0]), found


@pytest.mark.parametrize(("gallons", "gpm"), [(20, 1.0), (25, 1.25), (30, 1.5)])
def test_twenty_to_thirty_gallons_at_one_to_one_and_a_half_gpm_take_about_twenty_minutes(gallons, gpm):
    """Common practice."""
    assert flush_minutes(np.array([gallons]), np.array([gpm]))[0] == pytest.approx(20, abs=0.1)


def test_the_usual_flush_takes_about_twenty_minutes():
    """25 gal when the carbon's kind does not say; common practice."""
    _, _, found = ready()
    assert found.flush_gal[0] == 25
    assert found.flush_minutes[0] == pytest.approx(20)
    assert np.isnan(flush_minutes(np.array([25.0]), np.array([0.0]))[0])


def test_changed_carbon_owes_its_fines_until_a_flush_ran_clear():
    """Not by a flush before the change, nor one that stayed cloudy, nor one of another part."""
    for flush in (
        (0, 5, FINES, 11, True),
        (0, 5, FINES, 9, False),
        (0, 99, FINES, 9, True),
        (0, 5, IDLE, 9, True),
    ):
        state, owed, found = ready(flush)
        assert (state, owed) == (Readiness.FLUSH_OWED, OwedFlush.CARBON_FINES), flush
        assert found.owed_part_row[0] == 0
        assert found.owed_since_d[0] == CARBON.installed_at_d[0]
    for flush in ((0, 5, FINES, 9, True), (0, -1, FINES, 9, True)):
        assert ready(flush)[:2] == (Readiness.IN_SERVICE, OwedFlush.NONE), flush


def test_water_drawn_does_not_clear_a_debt():
    """The meter goes on for 10 days after the change."""
    assert ready()[0] is Readiness.FLUSH_OWED


def test_a_bed_standing_overnight_is_bedding_and_then_owes_the_second_flush():
    """Two hours, ten hours, and flushed."""
    first = (0, 5, FINES, 0.5, True)
    assert ready(first, (0, 5, BED, 2 / 24, True))[0] is Readiness.BEDDING
    state, owed, found = ready(first, (0, 5, BED, 10 / 24, True))
    assert (state, owed) == (Readiness.FLUSH_OWED, OwedFlush.BEDDED_OVERNIGHT)
    assert found.owed_since_d[0] == pytest.approx(20_000 - 2 / 24)
    done = (0, 5, SECOND, 1 / 24, True)
    assert ready(first, (0, 5, BED, 10 / 24, True), done)[0] is Readiness.IN_SERVICE
    other = (0, 5, FINES, 1 / 24, True)
    assert ready(first, (0, 5, BED, 10 / 24, True), other)[0] is Readiness.IN_SERVICE
    too_soon = (0, 5, FINES, 9 / 24, True)
    assert ready(first, (0, 5, BED, 10 / 24, True), too_soon)[0] is Readiness.FLUSH_OWED
    cloudy = (0, 5, SECOND, 1 / 24, False)
    assert ready(first, (0, 5, BED, 10 / 24, True), cloudy)[0] is Readiness.FLUSH_OWED


def test_a_new_membrane_owes_its_storage_solution():
    """Cleared by its own kind of flush only."""
    both = joined(CARBON, MEMBRANE)
    clear = (0, 5, FINES, 9, True)
    state, owed, found = ready(clear, parts=both)
    assert (state, owed) == (Readiness.FLUSH_OWED, OwedFlush.MEMBRANE_STORAGE_SOLUTION)
    assert found.owed_part_row[0] == 1
    assert ready(clear, (0, 6, FINES, 9, True), parts=both)[0] is Readiness.FLUSH_OWED
    assert ready(clear, (0, 6, STORAGE, 9, True), parts=both)[0] is Readiness.IN_SERVICE


def test_carbon_is_flushed_before_the_membrane():
    """Both owed: fines are named first, for they would end in the membrane."""
    assert ready(parts=joined(CARBON, MEMBRANE))[1] is OwedFlush.CARBON_FINES


def test_fines_seen_after_a_change_owe_a_flush():
    """Seen 3 days ago, after the clear flush; cleared by another."""
    seen = gauges((0, 3, {"saw_fines": True}))
    clear = (0, 5, FINES, 9, True)
    assert ready(clear, performance=seen)[1] is OwedFlush.SEEN_FINES
    assert ready(clear, (0, -1, FINES, 2, True), performance=seen)[0] is Readiness.IN_SERVICE


def test_sanitised_and_not_rinsed_owes_a_rinse():
    """Named before everything else: bleach in drinking water."""
    state, owed, found = ready((0, -1, CLEAN, 4, False))
    assert (state, owed) == (Readiness.FLUSH_OWED, OwedFlush.SANITISED)
    assert found.owed_part_row[0] == -1
    done = (0, 5, FINES, 9, True), (0, -1, CLEAN, 4, False), (0, -1, CLEAN, 3, True)
    assert ready(*done)[0] is Readiness.IN_SERVICE


def standing(weeks_moving, weeks_standing, weeks_after=0):
    steps = np.concatenate(
        (np.full(weeks_moving, 280.0), np.zeros(weeks_standing), np.full(weeks_after, 280.0))
    )
    return meter(np.cumsum(steps))


def test_a_unit_standing_beyond_its_limit_is_idle():
    """Eight weeks against a limit of 30 days; four weeks are within it."""
    clear = (0, 5, FINES, 9, True)
    state, owed, _ = ready(clear, readings=standing(30, 8))
    assert (state, owed) == (Readiness.IDLE, OwedFlush.IDLE)
    assert ready(clear, readings=standing(30, 4))[0] is Readiness.IN_SERVICE
    assert ready(clear, (0, -1, IDLE, 1, True), readings=standing(30, 8))[0] is Readiness.IN_SERVICE


def test_a_unit_that_stood_and_runs_again_still_owes_its_flush():
    """Three weeks running do not clear it, a flush does."""
    clear = (0, 5, FINES, 9, True)
    again = standing(30, 8, 3)
    assert ready(clear, readings=again)[:2] == (Readiness.FLUSH_OWED, OwedFlush.IDLE)
    assert ready(clear, (0, -1, IDLE, 20, True), readings=again)[0] is Readiness.IN_SERVICE


def test_out_of_service_is_said_first():
    """What is owed stays named."""
    state, owed, _ = ready(of_units=units(is_out_of_service=True))
    assert (state, owed) == (Readiness.OUT_OF_SERVICE, OwedFlush.CARBON_FINES)


def test_out_of_service_goes_before_a_night_of_bedding_and_before_standing_idle():
    bedding = [(0, 5, FINES, 0.5, True), (0, 5, BED, 2 / 24, True)]
    assert ready(*bedding)[0] is Readiness.BEDDING
    state, owed, found = ready(*bedding, of_units=units(is_out_of_service=True))
    assert (state, owed) == (Readiness.OUT_OF_SERVICE, OwedFlush.BEDDED_OVERNIGHT)
    assert found.owed_part_row[0] == 0
    idle = standing(30, 8, 0)
    clear = (0, 5, FINES, 9, True)
    assert ready(clear, readings=idle)[0] is Readiness.IDLE
    assert ready(clear, readings=idle, of_units=units(is_out_of_service=True))[0] is Readiness.OUT_OF_SERVICE
    assert ready(*bedding, readings=idle)[0] is Readiness.BEDDING


def test_a_flush_of_another_unit_clears_nothing():
    """Whole-unit flush next door."""
    parts = joined(CARBON, part(PartRole.CARBON, days_ago=10, part_id=8, unit=1))
    found = assess(of_units=units(2), parts=parts, flushes=flushed((1, -1, FINES, 9, True))).readiness
    assert found.state.tolist() == [Readiness.FLUSH_OWED, Readiness.IN_SERVICE]


def test_debts_are_named_in_their_order_of_harm():
    """All six owed at once; each flush lets the next be named."""
    second_bed = part(PartRole.POST_CARBON, days_ago=10, part_id=7, place=2, needs_flush=True)
    tables = {
        "parts": joined(CARBON, MEMBRANE, second_bed),
        "performance": gauges((0, 8, {"saw_fines": True})),
        "readings": standing(30, 8),
    }
    flushes = [(0, -1, CLEAN, 4, False), (0, 7, FINES, 9, True), (0, 7, BED, 2, True)]
    pays = [
        (OwedFlush.SANITISED, (0, -1, CLEAN, 3, True)),
        (OwedFlush.CARBON_FINES, (0, 5, FINES, 9, True)),
        (OwedFlush.BEDDED_OVERNIGHT, (0, 7, SECOND, 1, True)),
        (OwedFlush.MEMBRANE_STORAGE_SOLUTION, (0, 6, STORAGE, 9, True)),
        (OwedFlush.SEEN_FINES, (0, 5, FINES, 7, True)),
    ]
    for owed, flush in pays:
        assert ready(*flushes, **tables)[:2] == (Readiness.FLUSH_OWED, owed)
        flushes.append(flush)
    # The rinse after sanitising was the flush that standing idle asks for, too.
    last = ready(*flushes, (0, 7, FINES, 7, True), **tables)
    assert last[:2] == (Readiness.IN_SERVICE, OwedFlush.NONE)
    assert last[2].owed_part_row[0] == -1
    assert np.isnan([last[2].owed_since_d[0], last[2].flush_gal[0], last[2].flush_minutes[0]]).all()


def test_the_night_is_over_after_its_hours_and_not_before():
    """Eight hours, to the second."""
    first, second = (0, 5, FINES, 0.6, True), 1 / 86_400
    assert ready(first, (0, 5, BED, 8 / 24 - second, True))[0] is Readiness.BEDDING
    assert ready(first, (0, 5, BED, 8 / 24 + second, True))[0] is Readiness.FLUSH_OWED
    bed = (0, 5, BED, 0.5, True)
    for days_ago, state in (
        (0.5 - 8 / 24 - second, Readiness.IN_SERVICE),
        (0.5 - 8 / 24 + second, Readiness.FLUSH_OWED),
    ):
        assert ready(first, bed, (0, 5, FINES, days_ago, True))[0] is state


def test_bedding_names_its_part_and_since_when():
    state, owed, found = ready((0, 5, BED, 2 / 24, True), parts=joined(MEMBRANE, CARBON))
    assert (state, owed, found.owed_part_row[0]) == (Readiness.BEDDING, OwedFlush.BEDDED_OVERNIGHT, 1)
    assert found.owed_since_d[0] == pytest.approx(20_000 - 2 / 24)


def test_what_lies_in_the_future_counts_only_within_the_rounding_of_clocks():
    assert ready((0, 5, FINES, -ROUNDING_D / 2, True))[0] is Readiness.IN_SERVICE
    assert ready((0, 5, FINES, -1, True))[0] is Readiness.FLUSH_OWED
    assert ready((0, -1, CLEAN, -1, False), (0, 5, FINES, 9, True))[0] is Readiness.IN_SERVICE
    seen = gauges((0, -1, {"saw_fines": True}))
    assert ready((0, 5, FINES, 9, True), performance=seen)[0] is Readiness.IN_SERVICE
    assert ready(parts=part(PartRole.CARBON, days_ago=-1, part_id=5))[0] is Readiness.IN_SERVICE


def test_fines_seen_before_the_newest_carbon_owe_nothing_and_at_its_hour_they_do():
    clear = (0, 5, FINES, 9.5, True)
    for days_ago, owed in ((11, OwedFlush.NONE), (9, OwedFlush.SEEN_FINES)):
        assert ready(clear, performance=gauges((0, days_ago, {"saw_fines": True})))[1] is owed
    sediment = part(PartRole.SEDIMENT, days_ago=10, part_id=5)
    assert ready(parts=sediment, performance=gauges((0, 9, {"saw_fines": True})))[1] is OwedFlush.NONE


def test_parts_that_need_no_flush_owe_none():
    for role in (PartRole.CARBON, PartRole.MEMBRANE):
        assert ready(parts=part(role, days_ago=10, part_id=5, needs_flush=False))[0] is Readiness.IN_SERVICE


def test_the_oldest_debt_of_a_kind_is_named():
    older = part(PartRole.CATALYTIC_CARBON, days_ago=20, part_id=8, place=1, needs_flush=True)
    for parts, row in ((joined(CARBON, older), 1), (joined(older, CARBON), 0), (joined(CARBON, CARBON), 0)):
        found = ready(parts=parts)[2]
        assert found.owed_part_row[0] == row
        assert found.owed_since_d[0] == parts.installed_at_d[row]


def test_a_flush_is_as_large_as_its_kind_says_or_as_usual():
    for parts, flushes, gal in (
        (part(PartRole.CARBON, days_ago=10, part_id=5, flush_gal=18.0), (), 18),
        (part(PartRole.CARBON, days_ago=10, part_id=5, flush_gal=0.0), (), 25),
        (part(PartRole.CARBON, days_ago=10, part_id=5, flush_gal=18.0), [(0, -1, CLEAN, 4, False)], 25),
        (part(PartRole.MEMBRANE, days_ago=10, part_id=5, flush_gal=31.0), (), 31),
    ):
        found = ready(*flushes, parts=parts)[2]
        assert found.flush_gal[0] == gal
        assert found.flush_minutes[0] == pytest.approx(gal / 1.25)
