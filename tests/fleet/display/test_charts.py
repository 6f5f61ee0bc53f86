"""Frames behind the charts, the steps of a part's wear, and the drawing itself."""

import re
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from django.core.cache import caches

from fleet.assessment.explanation import wear_steps
from fleet.assessment.runs import assess_units
from fleet.assessment.unit_history import MOST_INTERVALS, forecast_fan, unit_history
from fleet.display.charts import life_chart, performance_chart, use_chart
from fleet.display.figures import place_window, show, wear_length, wear_words
from fleet.display.schematic import PlacedPart, lay_out
from fleet.models import PartState
from shared.drawing import TOLD, draw_once, says
from tests import factories

TODAY = factories.TODAY


@pytest.mark.django_db
def test_the_newest_point_of_the_life_chart_is_what_assessment_says(now):
    unit = factories.whole_unit()
    assess_units([unit.pk], now)
    wear = unit_history(unit.pk, now).wear
    assert list(dict.fromkeys(wear["position"])) == ["sediment", "carbon", "membrane", "post-carbon"]
    for state in PartState.objects.filter(treatment_unit=unit):
        last = wear[wear["part_id"] == state.part_id].sort_values("at").iloc[-1]
        assert last["wear"] == pytest.approx(state.wear, abs=1e-3)


@pytest.mark.django_db
def test_wear_begins_again_at_a_change_out(now):
    unit = factories.treatment_unit()
    where = factories.position(unit, "carbon", 1)
    kind = factories.part_kind(rated_months=6)
    changed = now - timedelta(days=100)
    old = factories.part(where, kind, installed_at=now - timedelta(days=300))
    old.removed_at, old.removal_reason = changed, "worn"
    old.save()
    new = factories.part(where, kind, installed_at=changed)
    history = unit_history(unit.pk, now)
    by_part = history.wear.groupby("part_id")["wear"].max()
    # 200 of 6 × 30.44 rated days, then 100 of them; use adds at most the design duty's gallons.
    assert by_part[old.pk] == pytest.approx(200 / 182.6, rel=0.02)
    assert by_part[new.pk] == pytest.approx(100 / 182.6, rel=0.02)
    assert list(history.changes["position"]) == ["carbon"]


@pytest.mark.django_db
def test_a_rollover_is_shown_as_the_gallons_that_flowed(now):
    unit = factories.treatment_unit()
    meter = factories.meter(unit, digits=4)
    for week, total in enumerate([9600, 9740, 9880, 20, 160, 300]):
        factories.meter_reading(meter, total, now - timedelta(weeks=5 - week))
    use = unit_history(unit.pk, now).use
    assert use["gal_per_day"].to_numpy() == pytest.approx(np.full(5, 20.0))
    assert list(use["fault"]) == ["", "", "rollover", "", ""]


@pytest.mark.django_db
def test_a_dense_meter_is_thinned_without_losing_a_gallon(now):
    unit = factories.treatment_unit()
    meter = factories.meter(unit)
    for hour in range(400):
        factories.meter_reading(meter, hour * 2.0, now - timedelta(hours=399 - hour))
    use = unit_history(unit.pk, now).use
    days = (use["at"] - use["from_at"]).dt.total_seconds() / 86400
    assert len(use) == MOST_INTERVALS
    assert (use["gal_per_day"] * days).sum() == pytest.approx(399 * 2.0, rel=1e-3)


def test_the_fan_reaches_the_limit_on_the_early_likely_and_late_days():
    early, likely, late = (TODAY + timedelta(days=days) for days in (10, 20, 40))
    fan = forecast_fan(0.5, early, likely, late, TODAY).set_index("on")
    assert fan.loc[TODAY].tolist() == [0.5, 0.5, 0.5]
    assert fan.loc[early, "high"] == 1
    assert fan.loc[likely, "likely"] == 1
    assert fan.loc[late, "low"] == 1
    assert fan.loc[early, "likely"] == pytest.approx(0.75)


def test_a_passed_limit_has_no_fan():
    assert forecast_fan(1.2, TODAY, TODAY, TODAY, TODAY).empty


def test_a_chart_is_drawn_once_for_the_same_content():
    caches["drawings"].clear()
    built = []

    def build():
        built.append(1)
        return {"data": {"values": [{"x": 1, "y": 2}]}, "mark": "point",
                "encoding": {"x": {"field": "x", "type": "quantitative"}}}  # fmt: skip

    first = draw_once("test", [1, 2], build, description="A <point> & more")
    again = draw_once("test", [1, 2], build, description="A <point> & more")
    other = draw_once("test", [1, 3], build, description="A <point> & more")
    assert first == again == other
    assert len(built) == 2
    assert 'aria-label="A &lt;point&gt; &amp; more"' in first


def test_each_value_of_a_line_can_be_pointed_at_and_tells_what_its_row_says():
    rows = [{"x": x, "y": x * x, **says(f"day {x}", "a < b")} for x in (1, 2, 3)]
    axes = {name: {"field": name, "type": "quantitative"} for name in ("x", "y")}

    def build():
        line = {"mark": "line", "encoding": axes | TOLD}
        return {"data": {"values": rows}, "layer": [line, {"mark": "rule", "encoding": axes}]}

    drawn = draw_once("told", rows, build, description="Squares")
    told = set(re.findall(r'data-says="([^"]*)"', drawn))
    assert told == {f"day {x}; a &lt; b" for x in (1, 2, 3)}


@pytest.mark.django_db
def test_charts_of_a_unit_hold_no_inline_style_and_tell_their_last_values(now):
    unit = factories.whole_unit()
    history = unit_history(unit.pk, now)
    numbers = {"baseline_flow_gpm": 0.5, "baseline_salt_passage": 0.03, "flow_change": -0.12}
    charts = [
        life_chart(history.wear, history.changes, [], TODAY, "America/Chicago"),
        performance_chart(history.performance, numbers, 0.1, [], "America/Chicago", "us"),
        use_chart(history.use, history.use_water, "America/Chicago", "metric"),
    ]
    for chart in charts:
        assert not re.search(r"style=|<style|<script|\son[a-z]+=", chart.svg)
        assert chart.rows
        assert all(len(row) == len(chart.headings) for row in chart.rows)
    assert "normalised -12%" in charts[1].svg
    assert "L/day" in charts[2].headings[2]


def test_nothing_to_draw_is_no_chart():
    nothing = pd.DataFrame()
    assert life_chart(nothing, nothing, [], TODAY, "UTC") is None
    assert performance_chart(nothing, {}, 0.1, [], "UTC", "us") is None
    assert use_chart(nothing, "", "UTC", "us") is None


def test_the_steps_of_wear_can_be_redone_by_hand():
    numbers = {
        "installed_on": "2026-01-01", "seen_gal": 5400.0, "rated_gal": 7500.0, "rated_months": 12,
        "permeate_gal_per_day": 20.0, "feed_gal_per_day": 40.0, "recovery": 0.5, "readings_used": 52,
        "limits": {
            "volume": {"wear": 0.72, "wear_per_day": 40 / 7500, "due_on": "2026-12-25"},
            "calendar": {"wear": 0.4, "wear_per_day": 1 / 365, "due_on": "2027-01-01"},
        },
    }  # fmt: skip
    steps = " ".join(wear_steps(numbers, "volume", "us"))
    assert "5,400 gal ÷ 7,500 gal rated = 72%" in steps
    assert "months alone would end on 1 Jan 2027" in steps
    assert "Volume comes first and governs: growing 0.53% a day it reaches 100% about 25 Dec 2026" in steps
    assert "from 52 meter readings" in steps
    metric = " ".join(wear_steps(numbers, "volume", "metric"))
    # 5400 gal × 3.785411784 L/gal, NIST SP 811.
    assert "20,441 L" in metric


@pytest.mark.parametrize(
    ("quantity", "value", "system", "shown"),
    [
        ("c", 25.0, "us", "77.0 °F"),
        ("psi", 100.0, "metric", "6.89 bar"),
        ("gpm", 1.0, "metric", "3.79 L/min"),
        ("gal", 1234.5, "us", "1,234 gal"),
        ("mg_l", 0.0, "us", "0 mg/L"),
    ],
)
def test_numbers_are_shown_in_the_persons_measures(quantity, value, system, shown):
    assert str(show(value, quantity, system)) == shown


@pytest.mark.parametrize(("wear", "length"), [(None, 0), (-0.1, 0), (0.5, 50), (1.0, 100), (9.0, 130)])
def test_a_wear_bar_is_as_long_as_the_wear_and_never_longer_than_its_frame(wear, length):
    assert wear_length(wear) == length


def test_a_bar_past_its_limit_says_so_in_words():
    assert "past limit" in wear_words(1.2, "Volume")
    assert "past limit" not in wear_words(0.99, "Volume")


def test_a_due_window_stands_in_order_on_its_road_and_ends_within_it():
    places = place_window(TODAY, TODAY + timedelta(days=30), date(2040, 1, 1), TODAY)
    assert places.today_x == places.early < places.likely < places.early + places.width
    assert places.early + places.width == pytest.approx(200)
    assert not places.is_late
    assert not place_window(None, TODAY, None, TODAY).is_late
    assert place_window(None, TODAY - timedelta(days=1), None, TODAY).is_late


def test_the_drawing_lets_concentrate_leave_at_the_membrane():
    parts = [
        PlacedPart("sediment", "feed", "sediment", "Five micron", 0.4),
        PlacedPart("membrane", "permeate", "membrane", "Element", 1.4),
        PlacedPart("post", "permeate", "", "", None),
    ]
    drawn = lay_out(parts, {"permeate": "Permeate meter: 5 gal"}, {"feed": "Feed pressure: 60 psi"})
    membrane = drawn.boxes[1]
    assert drawn.drain_x == membrane.x + 52 == drawn.feed_to
    assert [box.tone for box in drawn.boxes] == ["good", "bad", "off"]
    assert [mark.letter for mark in drawn.rounds] == ["M", "P"]
    assert drawn.rounds[0].x > drawn.boxes[-1].x + 104
    assert "sediment: Five micron, 40% used" in drawn.words
    assert [box.short for box in drawn.boxes] == ["40%", "140%", "nothing in place"]
