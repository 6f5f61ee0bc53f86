"""The second opinion on scaling: inputs with dates, what is missing, and the laws' own figures."""

import json
from datetime import timedelta

import numpy as np
import pytest

from fleet.assessment.explain import explain_unit
from fleet.assessment.runs import assess_units
from fleet.assessment.scaling_opinion import scaling_opinion, scaling_steps
from fleet.models import FeedTest, PerformanceReading
from fleet.science.scaling import FeedWater, ScaleKind, carbonate_index, limiting_recovery
from tests import factories as make

WATER = {
    "ph": 7.8, "temperature_c": 20.0, "tds_mg_l": 500.0, "calcium_hardness_mg_l": 180.0,
    "alkalinity_mg_l": 150.0, "sulfate_mg_l": 60.0, "silica_mg_l": 20.0,
}  # fmt: skip
NAMED = {
    "ph": "pH", "temperature_c": "temperature", "calcium_hardness_mg_l": "calcium hardness",
    "alkalinity_mg_l": "alkalinity", "sulfate_mg_l": "sulphate", "silica_mg_l": "silica",
}  # fmt: skip


@pytest.fixture
def unit():
    return make.treatment_unit()


def sampled(unit, now, days_ago=30, **given):
    return FeedTest.objects.create(
        site=unit.site, sampled_at=now - timedelta(days=days_ago), recorded_at=now, **WATER | given
    )


@pytest.mark.django_db
def test_the_opinion_is_what_the_laws_say_of_the_newest_tests(now, unit):
    sampled(unit, now)
    opinion = scaling_opinion(unit, 0.6, now)
    water = FeedWater(**{name: np.array([value]) for name, value in WATER.items()})
    assert opinion.carbonate_index == pytest.approx(carbonate_index(water, [0.6])[0])
    assert opinion.limiting_recovery == pytest.approx(limiting_recovery(water).recovery[0])
    assert opinion.limiting_scale is ScaleKind.CALCIUM_CARBONATE
    assert opinion.missing == ()
    assert opinion.concentrate_tds_mg_l == pytest.approx(500 / 0.4)
    assert not opinion.is_stiff_davis


@pytest.mark.django_db
@pytest.mark.parametrize(("name", "word"), NAMED.items())
def test_a_missing_input_is_named_and_nothing_is_made_up(now, unit, name, word):
    sampled(unit, now, **{name: None})
    opinion = scaling_opinion(unit, 0.6, now)
    assert opinion.missing == (name,)
    told = " ".join(scaling_steps(opinion, "us"))
    assert f"Not tested: {word}." in told
    assert ("unknown for want of tests" in told) or name == "alkalinity_mg_l"


@pytest.mark.django_db
def test_total_hardness_conductivity_and_the_gauge_stand_in_and_say_so(now, unit):
    sampled(
        unit, now, calcium_hardness_mg_l=None, tds_mg_l=None, temperature_c=None, hardness_mg_l=220.0,
        conductivity_us_cm=800.0,
    )  # fmt: skip
    PerformanceReading.objects.create(
        treatment_unit=unit, read_at=now - timedelta(days=3), feed_temperature_c=12.0, source="file",
        recorded_at=now,
    )  # fmt: skip
    told = scaling_steps(scaling_opinion(unit, 0.5, now), "us")[0]
    assert "total hardness, the stricter side" in told
    assert "from conductivity" in told
    assert "the feed gauge" in told


@pytest.mark.django_db
def test_salty_concentrate_is_judged_by_stiff_and_davis(now, unit):
    sampled(unit, now, tds_mg_l=4000.0)
    opinion = scaling_opinion(unit, 0.75, now)
    assert opinion.is_stiff_davis
    assert "index of Stiff and Davis" in " ".join(scaling_steps(opinion, "metric"))


@pytest.mark.django_db
def test_a_test_taken_later_does_not_count_and_an_old_one_of_the_site_yields_to_the_supply(now, unit):
    sampled(unit, now, days_ago=-5, ph=9.0)
    sampled(unit, now, days_ago=500, ph=6.6)
    unit.site.supply = make.supply()
    unit.site.save()
    FeedTest.objects.create(
        supply=unit.site.supply, sampled_at=now - timedelta(days=450), recorded_at=now, ph=7.1
    )
    inputs = {one.name: one for one in scaling_opinion(unit, 0.5, now).inputs}
    assert inputs["ph"].value == 7.1
    assert inputs["ph"].source == "its supply"
    assert inputs["silica_mg_l"].source == "this site"


@pytest.mark.django_db
def test_the_command_that_explains_shows_it_and_its_data_are_plain(now, unit):
    assess_units([unit.pk], now)
    assert "The feed was never tested." in explain_unit(unit.serial, now)
    data = json.loads(explain_unit(unit.serial, now, as_json=True))
    assert data["scaling"]["carbonate_index"] is None
    assert "ph" in data["scaling"]["missing"]
