"""What is asked for about a membrane: nothing, a look at its gauges, or a change, by what is measured."""

from datetime import date, timedelta

import pytest

from fleet.assessment import runs
from fleet.models import Finding, FindingKind, PartState
from scheduling.billing.forecast import read_parts
from scheduling.models import WorkOrder
from scheduling.orders import raising
from scheduling.stock import selectors as stock
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


def falling(per_week):
    """By flow alone, from the tenth week: nothing that could be cleaned off."""
    return lambda week: 0.34 * (1 - per_week * max(week - 10, 0))


def test_a_failing_membrane_comes_with_the_choices_and_dates_and_tells_their_costs_to_nobody():
    """It loses 1 % a week: past 10 % since some three months, and "leave" says since when."""
    part = membrane(3, flow=falling(0.01))
    found = findings_of(part)
    assert list(found) == [FindingKind.CHANGE_DUE], "one decision: no look beside the change"
    change = found[FindingKind.CHANGE_DUE]
    assert "Choices:" in str(change.why)
    reached = date.fromisoformat(change.numbers["choices"]["leave"]["lasts_until_on"])
    assert -170 < (reached - NOW.date()).days < -60
    assert "This is a guess" not in str(change.why)
    assert PartState.objects.get(part=part).numbers["choices"]["replace"]["cost"] == 185.0
    assert "185" not in str(change.why), "technicians and customers read it"
    assert "cost" not in change.numbers["choices"]["replace"]
    assert change.numbers["advice"] == "replace"


def open_orders(part):
    return list(WorkOrder.objects.open().filter(part_id=part.pk).values_list("kind", flat=True))


def test_a_failing_membrane_has_one_order_that_follows_its_decision():
    """Falling slowly it is looked at; past its limit that look gives way to the change, exactly once."""
    part = membrane(3, flow=falling(0.0028))
    assert list(findings_of(part)) == [FindingKind.PERFORMANCE_DECAY]
    raising.raise_work(now=NOW)
    assert open_orders(part) == ["performance_decay"]
    for week in range(1, 9):
        make.performance_reading(
            part.treatment_unit, NOW + timedelta(days=7 * week - 3), permeate_flow_gpm=0.28
        )
    later = NOW + timedelta(days=56)
    for _ in range(2):
        runs.assess_fleet(later)
        raising.raise_work(now=later)
    assert open_orders(part) == ["change_due"]
    gone = Finding.objects.get(part=part, kind=FindingKind.PERFORMANCE_DECAY)
    assert gone.gone_because == "its change is asked for instead"


def test_a_membrane_that_is_well_is_expected_in_stock_without_an_order():
    """Forty months old, rated for 36: no date, and a tenth of such end within 74 days."""
    part = membrane(3)
    assert findings_of(part) == {}
    state = PartState.objects.get(part=part)
    assert state.likely_on is None
    assert date.fromisoformat(state.numbers["expected"]["early_on"]) == NOW.date() + timedelta(days=74)
    year = stock.needs(NOW.date(), 52, None)
    assert [row.kind_code for row in year] == [part.kind.code]
    assert 0.3 < year[0].expected < 0.7
    assert read_parts(None)["likely_on"].notna().all()


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
