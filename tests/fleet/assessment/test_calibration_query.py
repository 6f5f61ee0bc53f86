"""Looking back: stated chances meet the removals since, and the page shows them."""

from datetime import timedelta

import pytest

from fleet.assessment.calibration import calibration
from fleet.assessment.days import to_days
from fleet.assessment.runs import assess_units
from fleet.models import RemovalReason, TreatmentUnit
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
    never = table[table["to_share"] <= 0.05].iloc[0]
    assert never["happened"] == 0.0


def test_parts_taken_out_early_tell_nothing_of_the_days_after(now):
    change_history(now, RemovalReason.EARLY)
    table = calibration(to_days(now)).table
    assert table[table["from_share"] >= 0.95].iloc[0]["happened"] != 1.0


def test_the_page_says_what_to_wait_for_while_there_is_nothing(client):
    client.force_login(make.person("planner"))
    assert "Not enough history yet" in client.get("/how-sure/").content.decode()


def test_a_part_found_worn_long_after_is_judged_by_hindsight(now):
    """Sixty days past the rated end somebody came: by months alone hindsight is sure of the days between."""
    change_history(now, RemovalReason.WORN, late_days=60)
    assess_units(list(TreatmentUnit.objects.values_list("pk", flat=True)), now)
    sure = calibration(to_days(now)).table.iloc[-1]
    assert sure["statements"] > 0
    assert sure["happened"] == 1.0


def test_a_part_taken_out_with_no_reason_given_says_nothing_past_its_limit(now):
    """Neither for us nor against us."""
    change_history(now, RemovalReason.UNKNOWN, late_days=60)
    assess_units(list(TreatmentUnit.objects.values_list("pk", flat=True)), now)
    sure = calibration(to_days(now)).table.iloc[-1]
    assert (sure["statements"], sure["unknown"] > 0) == (0, True)
