"""Lives learned from stored removals: gallons by the meters, late records, what the catalogue says after."""

import io
from datetime import timedelta

import numpy as np
import pytest
from django.core.management import call_command

from fleet.assessment.days import to_days
from fleet.assessment.learning import learn_lives, read_histories
from fleet.database.columns import UnitRange
from fleet.models import PartKind
from fleet.tasks import learn_lives as learn_task
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
NOW_D = to_days(NOW)
GAL_PER_DAY = 40.0


def removals(kind, *, units, lives_gal, reason="worn", is_followed=True):
    """Each unit: steady use, and parts changed one after the other at these lives."""
    for number in range(units):
        unit = make.treatment_unit(design_use_gal_per_day=GAL_PER_DAY)
        where = make.position(unit, "carbon", 1)
        meter = make.meter(unit)
        begin = NOW - timedelta(days=700)
        for day in range(0, 701, 28):
            make.meter_reading(meter, day * GAL_PER_DAY, begin + timedelta(days=day))
        at = begin
        for life in lives_gal[number::units]:
            # A carbon cartridge sees feed: permeate over recovery.
            gone = at + timedelta(days=life / (GAL_PER_DAY / 0.5))
            make.part(where, kind, installed_at=at, removed_at=gone, removal_reason=reason)
            at = gone
        if is_followed:
            make.part(where, kind, installed_at=at)


def test_gallons_seen_by_a_removed_part_are_what_the_meters_counted():
    kind = make.part_kind(rated_gal=5000)
    removals(kind, units=1, lives_gal=[4000.0, 6000.0])
    seen = read_histories(UnitRange(0, 10**9), NOW_D)
    assert seen.exit_gal[:2] == pytest.approx([4000.0, 6000.0], rel=0.01)
    assert seen.ended.tolist() == [True, True, False]
    assert seen.entry_gal == pytest.approx([0, 0, 0])


def test_a_part_older_than_its_units_first_reading_enters_late():
    kind = make.part_kind()
    unit = make.treatment_unit(design_use_gal_per_day=GAL_PER_DAY)
    meter = make.meter(unit)
    for day in range(0, 101, 10):
        make.meter_reading(meter, day * GAL_PER_DAY, NOW - timedelta(days=100 - day))
    make.part(make.position(unit, "carbon", 1, "permeate"), kind, installed_at=NOW - timedelta(days=200))
    seen = read_histories(UnitRange(0, 10**9), NOW_D)
    assert seen.exit_gal - seen.entry_gal == pytest.approx([100 * GAL_PER_DAY], rel=0.01)
    assert seen.entry_gal == pytest.approx([100 * GAL_PER_DAY], rel=0.1)


def test_units_without_a_meter_teach_nothing():
    make.part(make.position(make.treatment_unit(), "carbon", 1))
    assert read_histories(UnitRange(0, 10**9), NOW_D).count == 0


def test_a_later_removal_was_not_known_yet():
    kind = make.part_kind()
    removals(kind, units=1, lives_gal=[4000.0])
    early = read_histories(UnitRange(0, 10**9), to_days(NOW - timedelta(days=672)))
    assert early.ended.tolist() == [False]
    assert early.exit_gal == pytest.approx([28 * GAL_PER_DAY / 0.5], rel=0.01)


def test_the_median_of_many_weibull_removals_is_found_and_written():
    # Weibull 3, median 6000 gal: the plain quantile function of the textbooks.
    rng = np.random.default_rng(4)
    lives = 6000 / np.log(2) ** (1 / 3) * rng.weibull(3.0, 90)
    kind = make.part_kind(rated_gal=4000, rated_months=None, rating_chlorine_mg_l=None)
    removals(kind, units=18, lives_gal=lives.tolist(), is_followed=False)
    (answer,) = learn_lives(NOW_D)
    assert answer.failures == 90
    assert answer.learned_gal == pytest.approx(6000, rel=0.1)
    assert answer.shape == pytest.approx(3.0, rel=0.2)
    kind.refresh_from_db()
    assert (kind.learned_life_gal, kind.learned_life_shape) == (answer.learned_gal, answer.shape)


def test_learning_twice_or_in_small_shards_gives_the_same():
    kind = make.part_kind(rated_gal=4000)
    removals(kind, units=4, lives_gal=np.linspace(3000, 9000, 12).tolist())
    first = learn_lives(NOW_D)
    again = learn_lives(NOW_D, units_at_once=1)
    assert first[0].is_changed
    assert not again[0].is_changed
    assert again[0].learned_gal == first[0].learned_gal is not None


def test_too_few_failures_are_said_and_forget_what_was_learned():
    kind = make.part_kind(learned_life_gal=1234.0, learned_life_shape=2.0)
    removals(kind, units=1, lives_gal=[4000.0, 5000.0])
    (answer,) = learn_lives(NOW_D)
    assert "Only 2 failures" in answer.why_not
    kind.refresh_from_db()
    assert kind.learned_life_gal is kind.learned_life_shape is None


def test_parts_taken_out_early_are_no_failures():
    kind = make.part_kind()
    removals(kind, units=2, lives_gal=np.linspace(2000, 5000, 10).tolist(), reason="early")
    (answer,) = learn_lives(NOW_D)
    assert (answer.parts, answer.failures, answer.learned_gal) == (12, 0, None)


def test_a_kind_rated_by_months_gets_no_life_in_gallons():
    kind = make.part_kind(rated_gal=None, rated_months=6)
    removals(kind, units=4, lives_gal=np.linspace(2000, 5000, 12).tolist())
    (answer,) = learn_lives(NOW_D)
    assert answer.learned_gal is None
    assert "not by volume" in answer.why_not


def test_an_empty_fleet_learns_nothing_without_complaint():
    assert learn_lives(NOW_D) == []


def test_command_tells_each_kind_and_task_writes_the_same():
    kind = make.part_kind(code="CB-10", rated_gal=4000)
    make.part_kind(code="SED-5", **make.SEDIMENT)
    removals(kind, units=4, lives_gal=np.linspace(3000, 9000, 12).tolist())
    told = io.StringIO()
    call_command("learn_lives", stdout=told)
    text = told.getvalue()
    assert "1 of 2 kinds learned" in text
    assert "not by volume" in text
    learned = PartKind.objects.get(code="CB-10").learned_life_gal
    learn_task()
    assert PartKind.objects.get(code="CB-10").learned_life_gal == learned
