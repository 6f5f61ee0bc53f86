"""Findings judged column by column are judged as one by one would be."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet.assessment.finding_rules import Candidate
from fleet.assessment.open_findings import FindingDates, dates_of, is_stronger, read_open
from fleet.models import Finding
from tests import factories as make
from tests.factories import NOW, TODAY

STEPS = (0.0, 0.01, 0.0199, 0.02, 0.021, -0.02, -0.3)
DAYS = (0, 2, 3, 9, 10, -2, -3, -9, -10, None)


def asked_for(strength, *days) -> Candidate:
    early, likely, late = (None if day is None else TODAY + timedelta(days=day) for day in days)
    return Candidate(
        "change_due", "a cause", 1, "wear", "why", strength, early_on=early, likely_on=likely, late_on=late
    )


def has_moved(old: Candidate, new: Candidate) -> bool:
    """By a fiftieth of strength, by days of a date, or by having a date at all."""
    days = {"early_on": 3, "likely_on": 3, "late_on": 10}
    pairs = [(getattr(old, name), getattr(new, name), least) for name, least in days.items()]
    return abs(new.strength - old.strength) >= 0.02 or any(
        (before is None) != (after is None)
        or (before is not None and after is not None and abs((after - before).days) >= least)
        for before, after, least in pairs
    )


def test_what_moved_is_written_anew_and_nothing_else():
    old, new = [], []
    for step in STEPS:
        for days in DAYS:
            for place in range(3):
                moved = [0, 0, 0]
                moved[place] = days
                old.append(asked_for(0.5, 0, 0, 0))
                new.append(asked_for(0.5 + step, *moved))
    old.append(asked_for(1.0, None, None, None))
    new.append(asked_for(1.0, None, None, None))
    answers = is_stronger(dates_of(old), dates_of(new)).tolist()
    assert answers == [has_moved(*pair) for pair in zip(old, new, strict=True)]
    assert {True, False} == set(answers)


def test_a_row_of_columns_reads_as_plain_values():
    asked = dates_of([asked_for(0.25, 1, None, 3)])
    assert asked.by_row()[0] == {
        "strength": 0.25, "early_on": TODAY + timedelta(days=1), "likely_on": None,
        "late_on": TODAY + timedelta(days=3),
    }  # fmt: skip
    assert type(asked.by_row()[0]["early_on"]) is date
    assert len(FindingDates(*(np.array([]) for _ in range(4))).rows(np.array([], dtype=int)).strength) == 0


@pytest.mark.django_db
def test_what_stands_is_read_as_it_was_written_and_only_of_these_treatment_units():
    unit, other = make.treatment_unit(), make.treatment_unit()
    for i, (of, gone_at, likely_on, changed_at) in enumerate(
        [
            (unit, None, TODAY, NOW),
            (unit, None, None, NOW + timedelta(microseconds=1)),
            (unit, NOW, TODAY, NOW),
            (other, None, TODAY, NOW),
        ]
    ):
        make.finding(
            of, cause_key=f"cause {i}", strength=0.1 + 0.2, early_on=TODAY, likely_on=likely_on,
            changed_at=changed_at, gone_at=gone_at, gone_because="for the test" if gone_at else None,
        )  # fmt: skip
    rows = Finding.objects.filter(treatment_unit=unit, gone_at=None)
    standing = read_open([unit.pk], NOW)
    assert set(standing.row_of) == {"cause 0", "cause 1"}
    for finding in rows.all():
        (row,) = standing.rows([finding.cause_key])
        assert standing.id[row] == finding.pk
        assert standing.is_ahead[row] == (finding.changed_at > NOW)
        assert standing.dates.by_row()[row] == {
            name: getattr(finding, name) for name in ("strength", "early_on", "likely_on", "late_on")
        }
    assert standing.rows(["cause 2", "unknown"]).tolist() == [-1, -1]
    assert len(read_open([unit.pk, other.pk], NOW).id) == 3
    assert len(read_open([], NOW).id) == 0
