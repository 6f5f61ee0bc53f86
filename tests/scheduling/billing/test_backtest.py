"""The replay of the past year reads only what was known then, and scores forecasters fairly."""

import io
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from fleet.assessment.columns import read_part_times, read_shard
from fleet.assessment.days import to_days
from fleet.database.columns import UnitRange
from fleet.models import Part, RemovalReason
from scheduling.billing.backtest import backtest
from tests import factories as make

pytestmark = pytest.mark.django_db
EVERY_DAYS = 60


@pytest.fixture
def history():
    """A unit whose sediment cartridge is changed every sixty days, as it is rated, for four years."""
    unit = make.treatment_unit()
    where = make.position(unit, "sediment", 1)
    kind = make.part_kind(role="sediment", rated_months=EVERY_DAYS / 30.44, rated_flow_gpm=5.0)
    day = make.NOW - timedelta(days=4 * 365)
    while day < make.NOW - timedelta(days=EVERY_DAYS):
        out = day + timedelta(days=EVERY_DAYS)
        make.part(where, kind, installed_at=day, removed_at=out, removal_reason=RemovalReason.WORN)
        day = out
    make.part(where, kind, installed_at=day)
    make.weekly_readings(make.meter(unit), weeks=100)
    return unit


def whole(unit) -> UnitRange:
    return UnitRange(only_ids=(unit.pk,))


def test_a_past_moment_shows_the_part_that_was_in_place_then(history):
    then = datetime(2026, 3, 1, tzinfo=UTC)
    shard = read_shard(whole(history), to_days(then), is_past=True)
    expected = Part.objects.get(installed_at__lte=then, removed_at__gt=then)
    assert shard.columns.parts.part_id.tolist() == [expected.pk]
    assert shard.columns.readings.read_at_d.max() <= to_days(then)


def test_today_the_past_and_the_present_read_alike(history):
    now_d = to_days(make.NOW)
    present, past = read_shard(whole(history), now_d), read_shard(whole(history), now_d, is_past=True)
    for name, column in vars(present.columns.parts).items():
        assert np.array_equal(vars(past.columns.parts)[name], column, equal_nan=True), name
    assert np.array_equal(past.part_cost, present.part_cost)


def test_a_life_learned_since_is_not_known_in_the_past(history):
    Part.objects.first().kind.__class__.objects.update(learned_life_gal=5000, learned_life_shape=3)
    parts = read_shard(whole(history), to_days(make.NOW), is_past=True).columns.parts
    assert np.isnan(parts.learned_life_gal).all()
    assert np.isnan(parts.learned_life_shape).all()


def test_every_part_ever_comes_with_its_times(history):
    times = read_part_times(whole(history))
    assert len(times.part_id) == Part.objects.count()
    assert np.isnan(times.removed_d).sum() == 1
    assert np.nanmax(times.removed_d - times.installed_d) == pytest.approx(EVERY_DAYS)
    assert times.design_gal_per_day[0] == pytest.approx(40), "20 gal/day of permeate at half recovery"


def test_regular_changes_are_forecast_well_and_every_forecaster_speaks_of_the_same_months(history):
    found = backtest(today=make.TODAY, zone="America/Chicago")
    assert len(found.months) == 12
    year = (datetime(2025, 11, 1, 5, tzinfo=UTC), datetime(2026, 11, 1, 5, tzinfo=UTC))
    changed = Part.objects.filter(removed_at__gte=year[0], removed_at__lt=year[1])
    assert found.actual.sum() == changed.count() > 0
    scores = found.scores()
    assert {one.compared for one in scores.values()} == {12}
    assert scores["forecast"].bias == pytest.approx(0, abs=0.2)
    assert scores["forecast"].mean_absolute_error < 0.35
    assert scores["forecast"].enough >= 0.8


def test_a_naive_forecast_says_nothing_of_months_before_changes_were_written_down(history):
    Part.objects.filter(removed_at__lt=make.NOW - timedelta(days=500)).delete()
    found = backtest(today=make.TODAY, zone="America/Chicago")
    assert np.isnan(found.said["last_year"][:, 0]).all()
    assert np.isfinite(found.said["last_year"][:, -1]).all()
    assert found.scores()["forecast"].compared < found.all_months()["forecast"].compared


def test_the_command_prints_one_table_and_refuses_without_history(history, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    out = io.StringIO()
    call_command("backtest", "--by-kind", stdout=out, stderr=io.StringIO())
    for word in ("This forecast", "Rated life only", "Same month last year", "Oct 2026"):
        assert word in out.getvalue()
    Part.objects.filter(removed_at__isnull=False).delete()
    with pytest.raises(CommandError, match="No part was ever removed"):
        call_command("backtest", stdout=io.StringIO())
