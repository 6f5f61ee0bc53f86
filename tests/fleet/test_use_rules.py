"""The fleet's own swing of use is learned, kept as rows, and read as of each assessment's moment."""

from datetime import timedelta

import numpy as np
import pytest

from fleet.models import Meter, MeterReading, UseRules
from fleet.science.settings import UseSettings
from fleet.services.use_rules import learn_use, settings_at
from tests import factories as make


def steady_fleet(now, count, swing):
    """Meters read weekly for half a year whose daily use swings by a share of its mean."""
    rng = np.random.default_rng(7)
    readings = []
    for _ in range(count):
        unit = make.treatment_unit(design_use_gal_per_day=200)
        meter = Meter.objects.create(treatment_unit=unit, installed_at=now - timedelta(days=400))
        weekly = 7 * 200 + rng.normal(0, swing * 200 * np.sqrt(7), 26)
        for week, total in enumerate(np.cumsum(weekly)):
            readings.append(
                MeterReading(
                    treatment_unit=unit, meter=meter, water="permeate", source="file", recorded_at=now,
                    read_at=now - timedelta(days=7 * (26 - week)), total=total, total_gal=total,
                    rollover_gal=1e7,
                )
            )  # fmt: skip
    MeterReading.objects.bulk_create(readings)


@pytest.mark.django_db
def test_a_calm_fleet_teaches_a_smaller_swing_than_the_documented_one(now):
    steady_fleet(now, 40, swing=0.2)
    rules = learn_use(now)
    assert rules.design_spread == pytest.approx(0.2, rel=0.25)
    assert rules.design_spread < UseSettings().design_spread
    assert rules.design_cv < UseSettings().design_cv


@pytest.mark.django_db
def test_a_small_fleet_teaches_nothing(now):
    steady_fleet(now, 5, swing=0.2)
    assert learn_use(now) is None
    assert not UseRules.objects.exists()


@pytest.mark.django_db
def test_an_assessment_uses_the_rules_of_its_own_moment(now):
    UseRules.objects.create(learned_at=now, design_spread=0.3, design_cv=0.2, units_used=40)
    assert settings_at(now).use.design_spread == 0.3
    assert settings_at(now - timedelta(seconds=1)).use == UseSettings()


@pytest.mark.django_db
def test_learning_twice_at_one_moment_keeps_one_row(now):
    steady_fleet(now, 35, swing=0.3)
    first = learn_use(now)
    again = learn_use(now)
    assert again.design_spread == first.design_spread
    assert UseRules.objects.count() == 1
