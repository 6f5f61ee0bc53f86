"""The seven limits against hand sums and published anchors; what governs; monotone in time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.science.assess import assess_shard
from fleet.science.carbon import leak_share
from fleet.science.columns import FlushKind, Limit, MembraneType, PartRole
from fleet.science.settings import WearSettings
from tests.fleet.science.small_shard import (
    NOW_D,
    assess,
    feed_tests,
    flushed,
    gauges,
    joined,
    part,
    shard,
    steady,
    units,
)

RULES = WearSettings()
LONG = steady(40.0, weeks=260)
"""40 gal/day of permeate, 100 of feed, for five years."""


def life_of(*parts, **tables):
    return assess(**({"readings": LONG} | tables), parts=joined(*parts)).life


def wear_of(limit, *parts, **tables):
    return life_of(*parts, **tables).wear_by_limit[:, limit]


def test_a_pre_filter_sees_feed_and_a_membrane_permeate():
    """100 days: 10 000 gal of feed, 4000 gal of permeate."""
    life = life_of(part(PartRole.CARBON), part(PartRole.MEMBRANE, part_id=1))
    assert life.seen_gal == pytest.approx([10_000, 4000])
    assert life.wear_by_limit[:, Limit.VOLUME] == pytest.approx([10_000 / 5000, 4000 / 30_000])


def test_the_calendar_counts_months_in_place():
    """Half a Gregorian year of a year."""
    life = life_of(part(PartRole.CARBON, days_ago=365.2425 / 2))
    assert life.wear_by_limit[0, Limit.CALENDAR] == pytest.approx(0.5)
    assert life.due_d_by_limit[0, Limit.CALENDAR] == pytest.approx(NOW_D + 365.2425 / 2)


def test_time_on_the_shelf_beyond_shelf_life_counts():
    """Made three years and installed 100 days ago, shelf life two years: a year and 100 days of 36 months."""
    made = {"made_on_d": NOW_D - 100 - 3 * 365.2425, "shelf_life_months": 24}
    wear = wear_of(Limit.CALENDAR, part(PartRole.MEMBRANE, **made))
    assert wear[0] == pytest.approx((365.2425 + 100) / (3 * 365.2425))


@pytest.mark.parametrize(("chlorine", "gallons"), [(2.0, 5000), (1.0, 10_000), (4.0, 2500)])
def test_rated_gallons_scale_with_two_over_the_chlorine(chlorine, gallons):
    """5000 gal at 2 mg/L (granular carbon, a reseller's page): 10 000 at 1, 2500 at 4."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": chlorine}))
    wear = wear_of(Limit.CHLORINE_DOSE, part(PartRole.CARBON, days_ago=gallons / 100), tests=tests)
    assert wear[0] == pytest.approx(1.0)


def test_chloramine_counts_with_the_factor_of_the_medium():
    """0.5 free and 1.5 combined: standard carbon at 4, catalytic at 1."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 0.5, "chloramine_mg_l": 1.5}))
    standard = wear_of(Limit.CHLORINE_DOSE, part(PartRole.CARBON), tests=tests)[0]
    better = part(
        PartRole.CATALYTIC_CARBON, water=1, rated_gal=5000, rating_chlorine_mg_l=2, chloramine_factor=1
    )
    catalytic = wear_of(Limit.CHLORINE_DOSE, better, tests=tests)[0]
    assert standard == pytest.approx(10_000 * (0.5 + 4 * 1.5) / 10_000)
    assert catalytic == pytest.approx(10_000 * (0.5 + 1.5) / 10_000)


def test_flow_above_the_rating_shortens_carbon():
    """1.25 gpm runs through a cartridge rated 0.5 gpm."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 1.0}))
    slow = wear_of(Limit.CHLORINE_DOSE, part(PartRole.CARBON, rated_flow_gpm=2.0), tests=tests)[0]
    fast = wear_of(Limit.CHLORINE_DOSE, part(PartRole.CARBON, rated_flow_gpm=0.5), tests=tests)[0]
    assert fast / slow == pytest.approx(2.5)


def test_contact_time_is_at_running_flow():
    """0.1 ft3 at 0.5/0.4 = 1.25 gpm."""
    life = life_of(part(PartRole.CARBON, bed_volume_ft3=0.1))
    assert life.ebct_min[0] == pytest.approx(0.1 * 7.48052 / 1.25, rel=1e-5)


def test_a_softening_cartridge_counts_grains():
    """10 grains per gallon are 171.18 mg/L (1 gpg = 17.118): 10 000 grains last 1000 gal, that is 10 days."""
    tests = feed_tests((0, 900, {"hardness_mg_l": 171.18}))
    wear = wear_of(Limit.HARDNESS_LOAD, part(PartRole.SOFTENING, days_ago=10), tests=tests)
    assert wear[0] == pytest.approx(1.0, rel=1e-4)


def test_twice_the_rated_hardness_halves_months_and_gallons():
    """340 against 170 mg/L at design recovery."""
    tests = feed_tests((0, 900, {"hardness_mg_l": 340.0}))
    life = life_of(part(PartRole.MEMBRANE), tests=tests)
    gallons, months, hard = life.wear_by_limit[0, [Limit.VOLUME, Limit.CALENDAR, Limit.HARDNESS_LOAD]]
    assert hard == pytest.approx(2 * max(gallons, months))


def test_soft_water_does_not_lengthen_life():
    """85 mg/L: gallons govern."""
    tests = feed_tests((0, 900, {"hardness_mg_l": 85.0}))
    life = life_of(part(PartRole.MEMBRANE), tests=tests)
    assert life.wear[0] == life.wear_by_limit[0, Limit.VOLUME]
    assert life.governing[0] == Limit.VOLUME


def test_higher_recovery_than_design_counts_as_more_hardness():
    """Concentrate factor 1/(1-Y): 0.6 at the gauges against 0.4 by design is 1.5 times."""
    tests = feed_tests((0, 900, {"hardness_mg_l": 170.0}))
    flows = gauges((0, 10, {"permeate_flow_gpm": 0.6, "concentrate_flow_gpm": 0.4}))
    life = life_of(part(PartRole.MEMBRANE), tests=tests, performance=flows)
    assert life.wear_by_limit[0, Limit.HARDNESS_LOAD] == pytest.approx(
        1.5 * life.wear_by_limit[0, Limit.VOLUME]
    )


def test_a_tenth_of_a_milligram_for_2000_hours_is_200_mg_h_l():
    """Of 500: 0.4. No carbon; 40 gal/day at 0.5 gpm run 1.333 h a day, so 1500 days."""
    tests = feed_tests((0, 1900, {"free_chlorine_mg_l": 0.1}))
    wear = wear_of(Limit.OXIDANT_EXPOSURE, part(PartRole.MEMBRANE, days_ago=1500), tests=tests)
    assert wear[0] == pytest.approx(0.1 * 2000 / 500)


def test_cellulose_triacetate_is_not_spoiled_by_chlorine():
    """It needs some."""
    tests = feed_tests((0, 1900, {"free_chlorine_mg_l": 1.0}))
    kind = {"membrane_type": MembraneType.CELLULOSE_TRIACETATE}
    assert np.isnan(wear_of(Limit.OXIDANT_EXPOSURE, part(PartRole.MEMBRANE, **kind), tests=tests)[0])


def stepwise_exposure(days, surge_day, halvings):
    """Exposure behind one carbon summed in steps of a hundredth of a day."""
    step = 0.01
    chlorine = np.where(np.arange(0, days, step) < surge_day, 0.8, 3.0)
    wear = np.concatenate(([0.0], np.cumsum(chlorine * 100 * step)[:-1])) / (5000 * 2.0)
    leak = leak_share(wear, np.full(len(wear), halvings))
    return (chlorine * leak * 40 / 0.5 / 60 * step).sum()


@pytest.mark.parametrize("days", [60, 130, 200])
def test_the_leak_onto_the_membrane_is_summed_as_the_carbon_wears(days):
    """A surge from 0.8 to 3 mg/L on day 40, carbon and membrane put in together."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 0.8}), (0, days - 40, {"free_chlorine_mg_l": 3.0}))
    both = part(PartRole.CARBON, days_ago=days), part(PartRole.MEMBRANE, days_ago=days, part_id=1, place=1)
    wear = wear_of(Limit.OXIDANT_EXPOSURE, *both, tests=tests)
    assert wear[1] == pytest.approx(stepwise_exposure(days, 40, RULES.fresh_halvings) / 500, rel=0.01)


def test_a_second_carbon_is_dosed_with_what_leaks_from_the_first():
    """And the membrane is dosed with what leaks from both."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 2.0}))
    first, second = part(PartRole.CARBON), part(PartRole.CARBON, part_id=1, place=1)
    membrane = part(PartRole.MEMBRANE, part_id=2, place=2)
    two = life_of(first, second, membrane, tests=tests)
    one = life_of(first, membrane, tests=tests)
    dose = life_of(first, second, tests=tests).wear_by_limit[:, Limit.CHLORINE_DOSE]
    hours = 40 * 100 / 0.5 / 60
    spent = one.wear_by_limit[1, Limit.OXIDANT_EXPOSURE] * 500
    assert dose[1] == pytest.approx(spent / hours * 10_000 / 10_000, rel=1e-3)
    assert two.wear_by_limit[2, Limit.OXIDANT_EXPOSURE] < 0.2 * one.wear_by_limit[1, Limit.OXIDANT_EXPOSURE]


def test_carbon_changed_in_time_spares_the_membrane():
    """A membrane two years old behind carbon 200 or 20 days old."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 1.0}))
    membrane = part(PartRole.MEMBRANE, days_ago=700, part_id=1, place=1)
    late = life_of(part(PartRole.CARBON, days_ago=200), membrane, tests=tests)
    good = life_of(part(PartRole.CARBON, days_ago=20), membrane, tests=tests)
    assert late.wear_by_limit[1, Limit.OXIDANT_EXPOSURE] > good.wear_by_limit[1, Limit.OXIDANT_EXPOSURE]
    assert late.chlorine_leak_mg_l[1] > 0.9
    assert good.chlorine_leak_mg_l[1] < 0.1
    assert late.membrane_life_lost_per_week[0] > 10 * good.membrane_life_lost_per_week[0]


def test_chlorine_found_after_the_carbon_ends_it():
    """0.2 mg/L found 12 days ago; a repeated test below 0.1 lifts it."""
    found = gauges((0, 12, {"chlorine_after_carbon_mg_l": 0.2}))
    life = life_of(part(PartRole.CARBON, days_ago=20), performance=found)
    assert life.wear[0] == 1.0
    assert life.governing[0] == Limit.MEASURED_END
    assert life.early_d[0] == life.late_d[0] == NOW_D - 12
    again = joined(found, gauges((0, 5, {"chlorine_after_carbon_mg_l": 0.05})))
    assert life_of(part(PartRole.CARBON, days_ago=20), performance=again).governing[0] != Limit.MEASURED_END
    before = life_of(part(PartRole.CARBON, days_ago=10), performance=found)
    assert np.isnan(before.wear_by_limit[0, Limit.MEASURED_END])


def test_fines_after_two_clear_flushes_end_the_carbon():
    """Once flushed and once again, and still fines."""
    fines = gauges((0, 5, {"saw_fines": True}))
    carbon = part(PartRole.CARBON, days_ago=20, part_id=7)
    once = flushed((0, 7, FlushKind.CARBON_FINES, 19, True))
    twice = joined(once, flushed((0, 7, FlushKind.BEDDED_OVERNIGHT, 18, True)))
    assert np.isnan(wear_of(Limit.MEASURED_END, carbon, performance=fines, flushes=once)[0])
    assert wear_of(Limit.MEASURED_END, carbon, performance=fines, flushes=twice)[0] == 1.0


def drops(days_ago_and_drop):
    flows = {"permeate_flow_gpm": 0.4, "concentrate_flow_gpm": 0.6, "sediment_inlet_psi": 60.0}
    return gauges(
        *((0, days, flows | {"sediment_outlet_psi": 60 - drop}) for days, drop in days_ago_and_drop)
    )


def test_pressure_drop_follows_the_convex_curve_and_a_straight_line_would_be_late():
    """Drop grows as exp(K·V) from 1 psi to 15 psi in 180 days; on day 90 it is √15."""
    days = np.array([15, 30, 45, 60, 75, 90])
    seen = drops([(90 - day, 15 ** (day / 180)) for day in days])
    life = life_of(part(PartRole.SEDIMENT, days_ago=90), performance=seen)
    assert life.wear_by_limit[0, Limit.PRESSURE_DROP] == pytest.approx(0.5, rel=1e-6)
    assert life.due_d_by_limit[0, Limit.PRESSURE_DROP] == pytest.approx(NOW_D + 90, abs=1)
    straight = 90 * (15 - 1) / (np.sqrt(15) - 1)
    assert straight > 2 * 180


def test_drop_is_judged_at_the_flow_of_the_reading():
    """At 2 gpm a clean cartridge drops 2 psi, so 2 psi are no wear; at 1 gpm they are ln 2 / ln 15."""
    wear = {}
    for gpm in (1.0, 2.0):
        flows = {"permeate_flow_gpm": 0.4 * gpm, "concentrate_flow_gpm": 0.6 * gpm}
        seen = gauges((0, 0, flows | {"sediment_inlet_psi": 60.0, "sediment_outlet_psi": 58.0}))
        wear[gpm] = wear_of(Limit.PRESSURE_DROP, part(PartRole.SEDIMENT), performance=seen)[0]
    assert wear[1.0] == pytest.approx(np.log(2) / np.log(15))
    assert wear[2.0] == pytest.approx(0.0)


def test_a_new_cartridge_is_not_drawn_on_from_a_rise_within_the_gauges_or_on_few_gallons():
    """0.8 psi above clean after 80 minutes or six days is no rise; 4 psi on the second day is too soon."""
    for days_ago, reading in ((6, (6 - 80 / 1440, 1.8)), (6, (0, 1.8)), (2, (0, 5.0))):
        life = life_of(part(PartRole.SEDIMENT, days_ago=days_ago), performance=drops([reading]))
        assert life.wear_by_limit[0, Limit.PRESSURE_DROP] == 0
        assert life.governing[0] == Limit.CALENDAR


def test_the_first_reading_after_a_change_is_the_clean_drop_where_none_was_noted():
    """2 psi on the third day, then a third of the way to 15 by logarithm; a first reading in the third week
    is no clean drop."""
    unnoted = {"clean_drop_psi": np.nan, "clean_drop_flow_gpm": np.nan}
    seen = drops([(87, 2.0), (0, 2.0 * 7.5 ** (1 / 3))])
    found = wear_of(Limit.PRESSURE_DROP, part(PartRole.SEDIMENT, days_ago=90, **unnoted), performance=seen)
    assert found[0] == pytest.approx(1 / 3, rel=1e-6)
    late = drops([(70, 2.0), (0, 4.0)])
    found = wear_of(Limit.PRESSURE_DROP, part(PartRole.SEDIMENT, days_ago=90, **unnoted), performance=late)
    assert np.isnan(found[0])


def test_a_clogged_cartridge_is_used_up():
    """15 psi at the gauges."""
    life = life_of(part(PartRole.SEDIMENT, days_ago=50), performance=drops([(3, 15.0)]))
    assert life.wear_by_limit[0, Limit.MEASURED_END] == 1.0
    assert life.likely_d[0] <= NOW_D - 3


def test_a_learned_life_replaces_the_rating():
    """8000 gal learned, 5000 rated."""
    life = life_of(part(PartRole.CARBON, days_ago=40, learned_life_gal=8000.0))
    assert life.wear_by_limit[0, Limit.VOLUME] == pytest.approx(0.5)


def test_due_dates_follow_from_wear_and_use():
    """5000 gal at 100 a day: 50 days, 30 of them gone, 20 to come; the window widens with fewer readings."""
    known = life_of(part(PartRole.CARBON, days_ago=30))
    assert known.likely_d[0] == pytest.approx(NOW_D + 20, abs=1.0)
    assert known.governing[0] == Limit.VOLUME
    guess = life_of(part(PartRole.CARBON, days_ago=30), readings=steady(40.0, weeks=0))
    assert guess.late_d[0] - guess.early_d[0] > 4 * (known.late_d[0] - known.early_d[0])


def test_a_part_put_in_between_readings_counts_from_its_hour():
    """3.5 of the last 7 days."""
    assert life_of(part(PartRole.CARBON, days_ago=3.5)).seen_gal[0] == pytest.approx(350)


def test_unknown_numbers_give_unknown_limits_and_no_error():
    """No date of installation; no rating at all; no test."""
    nan = np.nan
    bare = {"rated_gal": nan, "rated_months": nan, "rating_chlorine_mg_l": nan}
    life = life_of(part(PartRole.CARBON, days_ago=nan), part(PartRole.CARBON, part_id=1, place=1, **bare))
    assert np.isnan(life.wear).all()
    assert (life.governing == -1).all()
    assert np.isnan(life.likely_d).all()
    assert life.seen_gal[1] == pytest.approx(10_000)


@settings(max_examples=40, deadline=None)
@given(
    chlorine=st.lists(st.floats(0, 4), min_size=1, max_size=5),
    hardness=st.floats(0, 500),
    installed=st.lists(st.floats(0, 900), min_size=3, max_size=3),
    later=st.floats(0, 400),
)
def test_wear_never_falls_as_time_goes_by(chlorine, hardness, installed, later):
    """Same data, judged now and later."""
    tests = feed_tests(
        *(
            (0, 800 - 150 * number, {"free_chlorine_mg_l": level, "hardness_mg_l": hardness})
            for number, level in enumerate(chlorine)
        )
    )
    parts = joined(
        part(PartRole.CARBON, days_ago=installed[0]),
        part(PartRole.CARBON, days_ago=installed[1], part_id=1, place=1),
        part(PartRole.MEMBRANE, days_ago=installed[2], part_id=2, place=2),
    )
    columns = shard(readings=LONG, tests=tests, parts=parts)
    now = assess_shard(columns, NOW_D).life.wear_by_limit
    then = assess_shard(columns, NOW_D + later).life.wear_by_limit
    known = np.isfinite(now)
    assert (np.isfinite(then) == known).all()
    assert (then[known] >= now[known] - 1e-9).all()


def test_a_softening_cartridge_spares_the_membrane():
    """While it lasts, hardness behind it is a twentieth."""
    tests = feed_tests((0, 900, {"hardness_mg_l": 340.0}))
    soft = part(PartRole.SOFTENING, days_ago=100, hardness_capacity_grains=1e6)
    membrane = part(PartRole.MEMBRANE, part_id=1, place=1)
    hard = wear_of(Limit.HARDNESS_LOAD, membrane, tests=tests)[0]
    assert wear_of(Limit.HARDNESS_LOAD, soft, membrane, tests=tests)[1] == pytest.approx(hard / 20)


def test_each_units_own_supply_counts():
    """Two units, two supplies."""
    tests = feed_tests((0, 900, {"free_chlorine_mg_l": 1.0}), (1, 900, {"free_chlorine_mg_l": 3.0}))
    parts = joined(part(PartRole.CARBON), part(PartRole.CARBON, part_id=1, unit=1))
    both = joined(LONG, steady(40.0, weeks=260, unit=1))
    life = assess(of_units=units(2), readings=both, tests=tests, parts=parts).life
    assert life.mean_chlorine_mg_l == pytest.approx([1.0, 3.0])
