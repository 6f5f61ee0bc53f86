"""Packed figures are the figures, whoever reads them, whichever release wrote them."""

import json
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection

from fleet.assessment import runs
from fleet.assessment.models import Layout
from fleet.models import LIMITS, OF_PART, OF_UNIT, LimitName, PartState, UnitState, figure_of, numbers_of
from fleet.science.columns import Limit
from tests import factories as make
from tests.factories import NOW

RELEASED = {
    OF_PART: (
        "0100000000203ec740000000000000f87f000000000000f87f000000000000f87f000000000000f87f000000000000f8"
        "7f410ad7a3703d0ae33f462575029a086b3f714e0000000000000000f87f000000000000f87f00000080000000000000"
        "f87f000000000000f87f00000080000000000000f87f000000000000f87f00000080000000000000f87f000000000000"
        "f87f00000080000000000000f87f000000000000f87f000000800000000000000000000000000000f87f00000080a64d"
        "000000000080000000800000008000000080000000000088d340000000000000f87f000000000000f87f000000000000"
        "f87f000000000000f87f000000000000f87f000000000000f87f000000000000f87f000000000000f87f000000000000"
        "f87f010034000000",
        {
            "seen_gal": 11900.25,
            "mean_chlorine_mg_l": None,
            "mean_hardness_mg_l": None,
            "chlorine_leak_mg_l": None,
            "ebct_min": None,
            "membrane_life_lost_per_week": None,
            "limits": {
                "volume": {"wear": 0.595, "wear_per_day": 0.0033, "due_on": "2024-12-24"},
                "measured_end": {"wear": 0.0, "wear_per_day": None, "due_on": None},
            },
            "installed_on": "2024-06-04",
            "not_before_on": None,
            "not_after_on": None,
            "last_read_on": None,
            "feed_tested_on": None,
            "rated_gal": 20000.0,
            "rated_months": None,
            "rating_chlorine_mg_l": None,
            "rated_hardness_mg_l": None,
            "hardness_capacity_grains": None,
            "oxidant_tolerance_mg_h_l": None,
            "design_permeate_gpm": None,
            "permeate_gal_per_day": None,
            "feed_gal_per_day": None,
            "recovery": None,
            "recovery_is_measured": True,
            "is_design_duty": False,
            "readings_used": 52,
        },
    ),
    OF_UNIT: (
        "0200000000000004409a9999999999e13f000000000000f87f000000000000f87f000000000000f87f000000000000f8"
        "7f000000000000f87f000000000000f87f000000000000f87f0300000060394d64000000000000000000000080001e40"
        "6500000000",
        {
            "normalised_flow_gpm": 2.5,
            "baseline_flow_gpm": 0.55,
            "flow_change": None,
            "salt_passage": None,
            "baseline_salt_passage": None,
            "passage_change": None,
            "drop_change": None,
            "raw_flow_change": None,
            "flow_slope_per_day": None,
            "readings_used": 3,
            "baseline_from": "2023-04-29T15:36:00+00:00",
            "baseline_to": None,
            "last_ran_at": "2023-10-30T21:20:00+00:00",
        },
    ),
}
"""Records as a release wrote them. They are in databases: never changed here."""


def known_or_not(random, count, values, unknown):
    return np.where(random.random(count) < 0.3, unknown, values)


def made_up(layout: Layout, random, count):
    """Columns of a layout, and the same as one dict a row by another way."""
    columns, rows = {}, [{} for _ in range(count)]

    def put(name, column, text):
        columns[name] = column
        for row, value in zip(rows, column.tolist(), strict=True):
            row[name] = text(value)

    for name, kind in layout.kinds.items():
        if kind == "figure":
            values = np.round(random.normal(size=count) * 10.0 ** random.integers(-6, 9, count), 7)
            put(name, known_or_not(random, count, values, np.nan), lambda v: None if v != v else v)
        elif kind == "count":
            put(name, random.integers(0, 2**31, count), int)
        elif kind == "flag":
            put(name, random.random(count) < 0.5, bool)
        elif kind == "day":
            put(name, some_days(random, count), lambda v: v and v.isoformat())
        elif kind == "moment":
            days = some_days(random, count).astype("datetime64[s]") + np.timedelta64(45_296, "s")
            put(name, days, lambda v: v and v.replace(tzinfo=UTC).isoformat())
        else:
            put_limits(columns, rows, random, count)
    return columns, rows


def some_days(random, count):
    days = np.datetime64("1900-01-01") + random.integers(0, 80_000, count)
    return known_or_not(random, count, days, np.datetime64("NaT"))


def put_limits(columns, rows, random, count):
    applies = random.random((count, len(LIMITS))) < 0.5
    wear = known_or_not(random, applies.shape, random.random(applies.shape), np.nan)
    per_day = known_or_not(random, applies.shape, random.random(applies.shape), np.nan)
    due = np.stack([some_days(random, count) for _ in LIMITS], axis=1)
    columns["limits"] = applies, wear, per_day, due
    for i, row in enumerate(rows):
        row["limits"] = {
            name: {
                "wear": None if wear[i, j] != wear[i, j] else float(wear[i, j]),
                "wear_per_day": None if per_day[i, j] != per_day[i, j] else float(per_day[i, j]),
                "due_on": due[i, j].item() and due[i, j].item().isoformat(),
            }
            for j, name in enumerate(LIMITS)
            if applies[i, j]
        }


@pytest.mark.parametrize("layout", [OF_PART, OF_UNIT], ids=["part", "unit"])
@pytest.mark.parametrize("seed", range(3))
def test_what_is_unpacked_is_what_was_packed_with_its_note(layout, seed):
    columns, rows = made_up(layout, np.random.default_rng(seed), 60)
    records = layout.pack(columns, 60)
    for record, row in zip(records, rows, strict=True):
        assert numbers_of({}, record.tobytes()) == row
        assert list(numbers_of({}, record.tobytes())) == list(layout.kinds)
        for name in (name for name, kind in layout.kinds.items() if kind == "figure"):
            assert figure_of({}, record.tobytes(), name) == figure_of(row, None, name) == row[name]
        for limit in LIMITS if "limits" in row else ():
            for name in ("wear", "wear_per_day"):
                known = row["limits"].get(limit, {}).get(name)
                assert figure_of({}, memoryview(record.tobytes()), "limits", limit, name) == known
                assert figure_of(row, record.tobytes(), "limits", limit, name) == known
        note = json.dumps({"learned": {"life_gal": 9}}).encode()
        assert numbers_of({}, memoryview(record.tobytes() + note)) == row | {"learned": {"life_gal": 9}}


def test_days_are_read_out_of_records_as_they_went_in():
    columns, _rows = made_up(OF_PART, np.random.default_rng(9), 40)
    read = OF_PART.days(OF_PART.pack(columns, 40), "not_after_on")
    assert read.tolist() == columns["not_after_on"].tolist()
    assert date in {type(day) for day in read.tolist()}


@pytest.mark.parametrize("layout", RELEASED, ids=["part", "unit"])
def test_a_record_that_is_out_there_is_read_as_ever(layout):
    record, numbers = RELEASED[layout]
    assert numbers_of({}, bytes.fromhex(record)) == numbers
    assert (OF_PART.number, OF_PART.size, OF_UNIT.number, OF_UNIT.size) == (1, 296, 2, 101)


def test_limits_stand_in_the_order_of_model_and_science():
    assert list(LIMITS) == LimitName.values == [limit.name.lower() for limit in sorted(Limit)]


@pytest.mark.django_db
@pytest.mark.parametrize("model", [PartState, UnitState])
def test_what_the_release_before_wrote_is_read_until_the_next_assessment_and_wins_beside_it(model):
    make.whole_unit()
    runs.assess_fleet(NOW)
    packed = {state.pk: state.numbers for state in model.objects.all()}
    assert all(packed.values())
    with connection.cursor() as cursor:
        # The release before knows one column of figures and leaves the other alone.
        cursor.execute(f"UPDATE {model._meta.db_table} SET numbers = %s", ['{"recovery": 0.25}'])
    assert {str(state.numbers) for state in model.objects.all()} == {"{'recovery': 0.25}"}
    runs.assess_fleet(NOW)
    assert {state.pk: state.numbers for state in model.objects.all()} == packed
    assert list(model.objects.exclude(written_numbers={})) == []


@pytest.mark.django_db
def test_figures_given_by_hand_are_kept_as_they_are():
    unit = make.whole_unit()
    runs.assess_fleet(NOW)
    state = unit.state
    assert datetime.fromisoformat(state.numbers["last_ran_at"]) <= NOW + timedelta(days=1)
    state.numbers = {"anything": [1, 2]}
    state.save()
    assert UnitState.objects.get().numbers == {"anything": [1, 2]}
    assert UnitState(treatment_unit=unit).numbers == {}
