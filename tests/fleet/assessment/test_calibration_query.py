"""Looking back: stated chances meet the removals since, and the page shows them."""

from datetime import timedelta

import pytest

from fleet.assessment import replay
from fleet.assessment.calibration import calibration
from fleet.assessment.days import to_days
from fleet.assessment.runs import assess_units
from fleet.models import Part, RemovalReason, TreatmentUnit, UseRules
from tests import factories as make

pytestmark = pytest.mark.django_db


def change_history(now, reason, count=12, months=6, late_days=7):
    """Parts rated by months only, each taken out some days after their rated end, one after the other."""
    kind = make.part_kind(role="sediment", rated_gal=None, rated_months=months, rating_chlorine_mg_l=None)
    life = timedelta(days=round(months * 30.4375) + late_days)
    for _ in range(count):
        where = make.position(make.treatment_unit(), "sediment", 1)
        installed = now - 3 * life
        while installed + life < now:
            make.part(where, kind, installed_at=installed, removed_at=installed + life, removal_reason=reason)
            installed += life
        make.part(where, kind, installed_at=installed)


def test_an_empty_fleet_has_nothing_to_look_back_on(now):
    found = calibration(to_days(now))
    assert (found.statements, found.units) == (0, 0)


def test_a_sure_end_by_the_calendar_that_came_is_counted_as_come(now):
    change_history(now, RemovalReason.WORN)
    table = calibration(to_days(now)).table
    sure = table[table["from_share"] >= 0.95].iloc[0]
    assert sure["statements"] > 0
    assert sure["happened"] == 1.0


def test_the_page_says_what_to_wait_for_while_there_is_nothing(client):
    client.force_login(make.person("planner"))
    assert "Not enough history yet" in client.get("/how-sure/").content.decode()


def test_our_own_reckoning_is_no_witness(now):
    """Found good two months past the rated end, what was called sure was wrong, whatever wear we reckon."""
    change_history(now, RemovalReason.EARLY, late_days=60)
    assess_units(list(TreatmentUnit.objects.values_list("pk", flat=True)), now)
    found = calibration(to_days(now))
    assert found.table.iloc[-1]["happened"] == 0.0
    assert found.brier > 0.9


def test_each_removal_is_one_statement(now):
    change_history(now, RemovalReason.WORN)
    removals = Part.objects.filter(removed_at__gt=now - timedelta(days=360)).count()
    assert calibration(to_days(now)).statements == removals == 12


def test_what_the_fleet_had_taught_by_then_is_used_in_looking_back(now, monkeypatch):
    """And nothing it taught later."""
    change_history(now, RemovalReason.WORN, count=1)
    for days_ago, swing in ((200, 0.3), (10, 0.9)):
        UseRules.objects.create(
            learned_at=now - timedelta(days=days_ago), design_spread=swing, design_cv=0.2, units_used=40
        )
    used = []
    kept = replay.assess_shard
    monkeypatch.setattr(
        replay,
        "assess_shard",
        lambda columns, then_d, settings: (
            used.append(settings.use.design_spread) or kept(columns, then_d, settings)
        ),
    )
    calibration(to_days(now))
    assert used == [0.7, 0.7, 0.7, 0.3, 0.3, 0.3]


def test_a_part_taken_out_with_no_reason_given_says_nothing_past_its_limit(now):
    """Neither for us nor against us."""
    change_history(now, RemovalReason.UNKNOWN, late_days=60)
    assess_units(list(TreatmentUnit.objects.values_list("pk", flat=True)), now)
    sure = calibration(to_days(now)).table.iloc[-1]
    assert (sure["statements"], sure["unknown"] > 0) == (0, True)
