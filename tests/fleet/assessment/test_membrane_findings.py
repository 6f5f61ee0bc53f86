"""What is asked for about a membrane: nothing, a look at its gauges, or a change, by what is measured."""

from datetime import timedelta

import pytest

from fleet.assessment import runs
from fleet.models import Finding, FindingKind, PartState
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
OLD = NOW - timedelta(days=1200)
"""A membrane put in then is past its 36 rated months."""


def membrane(last_read_days_ago, *, flow=lambda week: 0.34):
    """Past its months, read weekly for 40 weeks until so many days ago."""
    unit = make.treatment_unit()
    position = make.position(unit, code="membrane", order=4, water="permeate")
    part = make.part(position, make.part_kind(**make.MEMBRANE), installed_at=OLD)
    make.flush(part)
    for week in range(40):
        at = NOW - timedelta(days=last_read_days_ago + 7 * (39 - week))
        make.performance_reading(unit, at, permeate_flow_gpm=flow(week))
    return part


def findings_of(part):
    runs.assess_fleet(NOW)
    return {found.kind: found for found in Finding.objects.filter(part=part, gone_at__isnull=True)}


def test_a_membrane_that_reads_well_gets_no_order_however_old():
    part = membrane(3)
    assert findings_of(part) == {}
    state = PartState.objects.get(part=part)
    assert state.governing == "performance"
    assert state.wear < 1
    assert state.numbers["limits"]["calendar"]["wear"] > 1


def test_when_the_last_look_is_a_while_ago_the_gauges_are_to_be_read_and_nothing_changed():
    part = membrane(60)
    found = findings_of(part)
    assert list(found) == [FindingKind.READING_WANTED]
    assert "Read the gauges and compare; do not change it." in str(found[FindingKind.READING_WANTED].why)
    make.performance_reading(part.treatment_unit, NOW - timedelta(hours=1))
    assert findings_of(part) == {}


def test_where_nobody_measures_the_calendar_asks_for_a_change_and_says_that_it_guesses():
    part = membrane(200)
    found = findings_of(part)
    assert list(found) == [FindingKind.CHANGE_DUE]
    assert "This is a guess" in str(found[FindingKind.CHANGE_DUE].why)


def test_a_failing_membrane_comes_with_the_choices_and_dates_and_tells_their_costs_to_nobody():
    """It loses 1 % a week from the tenth: past 10 %, and by flow alone nothing can be cleaned off."""
    part = membrane(3, flow=lambda week: 0.34 * (1 - 0.01 * max(week - 10, 0)))
    found = findings_of(part)
    assert set(found) == {FindingKind.CHANGE_DUE, FindingKind.PERFORMANCE_DECAY}
    change = found[FindingKind.CHANGE_DUE]
    assert "Choices:" in str(change.why)
    assert "This is a guess" not in str(change.why)
    assert PartState.objects.get(part=part).numbers["choices"]["replace"]["cost"] == 185.0
    assert "185" not in str(change.why), "technicians and customers read it"
    assert "cost" not in change.numbers["choices"]["replace"]
    assert change.numbers["advice"] == "replace"
    assert found[FindingKind.PERFORMANCE_DECAY].numbers["choices"] == change.numbers["choices"]


def test_a_carbon_bed_too_small_for_its_chloramine_is_a_finding_of_its_own():
    """0.05 ft3 at 0.7 gpm is half a minute: 2 mg/L of chloramine pass; a new cartridge would not help."""
    unit = make.whole_unit()
    make.feed_test(
        site=unit.site, sampled_at=NOW - timedelta(days=2), free_chlorine_mg_l=0, chloramine_mg_l=2
    )
    carbon = unit.parts.get(kind__role="carbon")
    type(carbon.kind).objects.filter(pk=carbon.kind_id).update(bed_volume_ft3=0.05)
    found = findings_of(carbon)[FindingKind.CONTACT_TOO_SHORT]
    assert found.numbers["fresh_leak_mg_l"] > 1
    assert "A new cartridge of this size does not help" in str(found.why)
    type(carbon.kind).objects.filter(pk=carbon.kind_id).update(bed_volume_ft3=2.0)
    assert FindingKind.CONTACT_TOO_SHORT not in findings_of(carbon)
