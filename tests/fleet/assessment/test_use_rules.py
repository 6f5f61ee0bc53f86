"""The fleet's own swing of use is learned, kept as rows, and read as of each assessment's moment."""

from datetime import timedelta

import numpy as np
import pytest

from fleet.assessment.explain import explain_unit
from fleet.assessment.runs import assess_units
from fleet.assessment.use_rules import learn_use, rules_at
from fleet.models import Meter, MeterReading, PartState, TreatmentUnit, UseRules
from fleet.science.settings import UseSettings
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
    assert rules_at(now).settings.use.design_spread == 0.3
    assert rules_at(now - timedelta(seconds=1)).settings.use == UseSettings()


@pytest.mark.django_db
def test_learning_twice_at_one_moment_keeps_one_row(now):
    steady_fleet(now, 35, swing=0.3)
    first = learn_use(now)
    again = learn_use(now)
    assert again.design_spread == first.design_spread
    assert UseRules.objects.count() == 1


def rules_of(now, **columns):
    return UseRules.objects.create(
        learned_at=now - timedelta(days=1), design_spread=0.7, design_cv=0.5, units_used=40, **columns
    )


def carbon_at_new_site(now, **of_kind):
    """A unit that was never read, at an office, with a carbon just put in."""
    unit = make.treatment_unit(design_use_gal_per_day=100)
    unit.site.kind = "office"
    unit.site.save()
    kind = make.part_kind(role="carbon", rated_gal=10_000, rated_months=None, **of_kind)
    part = make.part(make.position(unit, "P1", 1), kind=kind, installed_at=now - timedelta(days=10))
    return unit, part


def assessed(unit, part, now):
    assess_units([unit.pk], now)
    return PartState.objects.get(part=part)


@pytest.mark.django_db
def test_a_new_site_borrows_from_like_sites_and_says_so(now):
    unit, part = carbon_at_new_site(now)
    alone = assessed(unit, part, now)
    assert "learned" not in alone.numbers
    rules_of(now, like_sites={"office": {"ratio": 0.5, "gal_per_day": 50.0, "sites": 12}})
    lent = assessed(unit, part, now)
    assert lent.numbers["permeate_gal_per_day"] == pytest.approx(100 * 0.5 ** (12 / 16), rel=1e-3)
    assert lent.likely_on > alone.likely_on
    assert lent.numbers["learned"]["like_sites"]["sites"] == 12
    assert "12 like sites (office)" in explain_unit(unit.serial, now)


@pytest.mark.django_db
def test_a_learned_season_moves_the_dates_and_says_so(now):
    unit, part = carbon_at_new_site(now)
    flat = assessed(unit, part, now)
    months = [0.4] * 12
    for ahead in range(5):
        months[(now.month - 1 + ahead) % 12] = 1.84
    rules_of(now, months=[round(one * 12 / sum(months), 4) for one in months])
    bent = assessed(unit, part, now)
    assert bent.likely_on < flat.likely_on - timedelta(days=10)
    assert "Season learned from the fleet" in explain_unit(unit.serial, now)


@pytest.mark.django_db
def test_a_learned_shape_widens_the_window_and_the_finding_names_it(now):
    unit, part = carbon_at_new_site(now, learned_life_gal=10_000, learned_life_shape=None)
    certain = assessed(unit, part, now)
    part.kind.learned_life_shape = 2.0
    part.kind.save()
    shaped = assessed(unit, part, now)
    assert shaped.early_on < certain.early_on
    assert shaped.late_on > certain.late_on
    assert abs((shaped.likely_on - certain.likely_on).days) <= 1
    finding = unit.findings.get(kind="change_due")
    assert "rests on what the fleet taught (life)" in finding.why
    assert "Weibull law of shape 2.00" in explain_unit(unit.serial, now)


@pytest.mark.django_db
def test_a_fleet_teaches_what_its_kinds_of_site_use(now):
    steady_fleet(now, 40, swing=0.2)
    for unit in TreatmentUnit.objects.select_related("site"):
        unit.site.kind = "cafe"
        unit.site.save()
    TreatmentUnit.objects.update(design_use_gal_per_day=400)
    learned = learn_use(now)
    assert learned.like_sites["cafe"]["ratio"] == pytest.approx(0.5, rel=0.1)
    assert learned.months == learned.weekdays == []
