"""Step sheets: cautions first, hazard controls never skipped silently, versions kept."""

import pytest

from scheduling.models import OrderKind, StepSheet
from scheduling.orders import step_library as library
from scheduling.orders import steps
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def sheets():
    steps.ensure_step_sheets(NOW)


def codes(kind):
    return [step["code"] for step in steps.current_sheet(kind).steps]


def test_every_kind_of_work_has_one_sheet_with_cautions_and_a_hazard_control():
    assert steps.ensure_step_sheets(NOW) == 0
    assert StepSheet.objects.count() == len(OrderKind)
    for kind in OrderKind:
        sheet = steps.current_sheet(kind)
        assert "maker's manual" in sheet.cautions[0]
        assert any(step["is_hazard_control"] for step in sheet.steps)
        assert len({step["code"] for step in sheet.steps}) == len(sheet.steps)


def test_a_housing_is_opened_only_after_isolating_locking_out_and_proving_zero_pressure():
    change = codes(OrderKind.CHANGE_DUE)
    opened = change.index("take_out")
    assert [change.index(code) < opened for code in ("isolate", "lock_out", "prove_zero")] == [True] * 3
    assert change.index("lock_out") < change.index("isolate")  # with the feed shut a running pump runs dry
    assert change.index("override_closed") < change.index("power")
    assert change.index("flush") < change.index("power")


def composed(*kinds, roles=(), **equipment):
    known = library.facts(mains_voltage=120, roles=roles, equipment=equipment)
    sheets = [steps.current_sheet(kind) for kind in kinds]
    return [step["code"] for step in steps.merged(sheets) if library.applies(step, known)]


NOTHING_ELECTRIC = {"electric_valve": False, "pump": False, "tank": False, "softener": False, "uv": False}


def test_a_sediment_change_shows_what_it_needs_and_nothing_of_carbon_or_membranes():
    """The spine is that of 29 CFR 1910.147(d): shut down, isolate, release, verify, then the work."""
    shown = composed(OrderKind.CHANGE_DUE, roles={"sediment"}, **NOTHING_ELECTRIC)
    assert shown == [
        "tell", "readings_before", "lock_out", "isolate", "prove_zero", "take_out", "slow_fill",
        "leak_watch", "power", "drain_gap",
    ]  # fmt: skip


def test_a_units_own_make_up_composes_its_steps_and_what_nobody_said_is_told_as_a_condition():
    unit = factories.treatment_unit(has_uv=True, has_pump=False)
    known = library.known_of(unit, {"sediment"})
    shown = [step for step in steps.current_sheet(OrderKind.CHANGE_DUE).steps if library.applies(step, known)]
    told = {step["code"]: library.condition_told(step, known) for step in shown}
    assert told["uv_off"] == told["lock_out"] == ""
    assert list(told).index("uv_off") < list(told).index("take_out") < list(told).index("uv_on")
    assert told["override_open"] == "Where the inlet valve is electric:"
    assert "leak_watch_pump" not in told


def test_a_carbon_change_keeps_its_water_from_people_pump_and_membrane_until_it_is_fit():
    shown = composed(OrderKind.CHANGE_DUE, roles={"carbon"})
    order = ("take_out", "warning_tag", "outlet_to_drain", "slow_fill", "flush", "chlorine_after_carbon",
             "leak_watch", "override_closed", "power", "leak_watch_pump", "tag_off")  # fmt: skip
    places = [shown.index(code) for code in order]
    assert places == sorted(places)
    assert "purge_membrane" not in shown
    both = composed(OrderKind.CHANGE_DUE, roles={"carbon", "membrane"})
    assert both.index("chlorine_after_carbon") < both.index("purge_membrane")


def test_orders_of_one_unit_share_their_steps_and_each_sheets_order_stands():
    shown = composed(OrderKind.READING, OrderKind.CHANGE_DUE, roles={"sediment"})
    assert len(set(shown)) == len(shown)
    assert shown.index("right_meter") < shown.index("lock_out") < shown.index("take_out")
    assert shown.index("take_out") < shown.index("meter")


def test_the_houses_better_sheet_takes_the_place_of_an_older_one_that_nobody_edited():
    old = [{"code": "old", "text": "Old.", "is_hazard_control": True, "asks": ""}]
    StepSheet.objects.filter(kind__in=[OrderKind.READING, OrderKind.FEED_TEST]).update(steps=old)
    StepSheet.objects.filter(kind=OrderKind.FEED_TEST).update(made_by=factories.person("planner"))
    assert steps.ensure_step_sheets(NOW) == 1
    assert codes(OrderKind.READING) == ["right_meter", "look_round", "meter"]
    assert codes(OrderKind.FEED_TEST) == ["old"]
    assert StepSheet.objects.filter(kind=OrderKind.READING).count() == 2


def test_a_hazard_control_skipped_without_a_reason_is_refused_and_with_one_is_told():
    sheet = steps.current_sheet(OrderKind.CHANGE_DUE)
    record = steps.all_done(OrderKind.CHANGE_DUE)
    assert steps.check_record(sheet, record) == []
    record[codes(OrderKind.CHANGE_DUE).index("lock_out")] = {"code": "lock_out", "done": False}
    with pytest.raises(DomainError, match="write why it was not done") as refusal:
        steps.check_record(sheet, record)
    assert refusal.value.field == "step:lock_out"
    record.append({"code": "lock_out", "done": False, "skipped_because": "hard-wired, breaker locked"})
    assert [step["because"] for step in steps.check_record(sheet, record)] == ["hard-wired, breaker locked"]


def test_a_step_left_out_of_the_record_counts_as_skipped():
    with pytest.raises(DomainError):
        steps.check_record(steps.current_sheet(OrderKind.CHANGE_DUE), [])


def test_a_new_version_is_used_and_the_old_one_stays():
    made = steps.revise(
        OrderKind.READING, cautions=["Mind the dog."], steps=[{"code": "meter", "text": "Read it."}],
        by=None, now=NOW,
    )  # fmt: skip
    assert made.version == 2
    assert steps.current_sheet(OrderKind.READING) == made
    assert StepSheet.objects.filter(kind=OrderKind.READING, version=1, is_current=False).exists()


@pytest.mark.parametrize(
    ("cautions", "rows"),
    [
        ([], [{"code": "a", "text": "A"}]),
        (["x"], []),
        (["x"], [{"code": "", "text": "A"}]),
        (["x"], [{"code": "a", "text": ""}]),
        (["x"], [{"code": "a", "text": "A"}, {"code": "a", "text": "B"}]),
    ],
)
def test_a_sheet_that_cannot_be_worked_by_is_refused(cautions, rows):
    with pytest.raises(DomainError) as refusal:
        steps.revise(OrderKind.READING, cautions=cautions, steps=rows, by=None, now=NOW)
    assert refusal.value.remedy
