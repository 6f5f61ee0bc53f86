"""Editing step sheets: versions, history, and that no hazard control goes unnoticed."""

import pytest
from django.urls import reverse

from scheduling.models import OrderKind, StepSheet
from scheduling.orders import steps as orders_steps
from scheduling.orders.steps import EditedStep
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
KIND = OrderKind.READING


@pytest.fixture
def sheet() -> StepSheet:
    """The first version of a short sheet."""
    return orders_steps.revise(
        KIND, cautions=["Mind the mains."], by=None, now=make.NOW,
        steps=[{"code": "lock", "text": "Lock out.", "is_hazard_control": True, "asks": ""},
               {"code": "read", "text": "Read the meter.", "asks": "meter_total"}],
    )  # fmt: skip


LOCK = EditedStep("Lock out.", "lock", True)
READ = EditedStep("Read the meter.", "read", False, "meter_total")


def edit(**given) -> StepSheet:
    usual = {"from_version": 1, "cautions": ["Mind the mains."], "edited": [LOCK, READ], "by": None,
             "now": make.NOW}  # fmt: skip
    return orders_steps.edit(KIND, **usual | given)


def test_a_change_is_a_new_version_and_the_old_one_stays_readable(sheet):
    new = edit(edited=[LOCK, READ, EditedStep("Wipe the glass.")])
    assert (new.version, new.is_current) == (2, True)
    assert new.steps[-1] == {"code": "wipe_the_glass", "text": "Wipe the glass.", "is_hazard_control": False,
                             "asks": ""}  # fmt: skip
    sheet.refresh_from_db()
    assert not sheet.is_current
    assert [step["code"] for step in sheet.steps] == ["lock", "read"]
    assert StepSheet.objects.filter(kind=KIND, is_current=True).count() == 1


def test_a_known_step_keeps_its_code_when_its_text_changes(sheet):
    new = edit(edited=[LOCK, EditedStep("Read the register.", "read", False, "meter_total")])
    assert [step["code"] for step in new.steps] == ["lock", "read"]


def test_new_steps_of_one_text_get_codes_of_their_own(sheet):
    new = edit(edited=[LOCK, READ, EditedStep("Lock"), EditedStep("Lock"), EditedStep("— 水 —")])
    codes = [step["code"] for step in new.steps]
    assert len(set(codes)) == len(codes)
    assert codes[2:] == ["lock_2", "lock_3", "step"]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"from_version": 0}, "Version 1 is in use"),
        ({"from_version": 7}, "Load the sheet again"),
        ({}, "Nothing was changed"),
        ({"cautions": [" "], "edited": [LOCK]}, "begins with its cautions"),
        ({"edited": []}, "is safety-critical"),
        ({"edited": [READ]}, "is safety-critical"),
        ({"edited": [EditedStep("Lock out.", "lock", False), READ]}, "is safety-critical"),
        ({"edited": [LOCK, EditedStep("x" * 401)]}, "Split it"),
        ({"edited": [LOCK, EditedStep("Sing.", asks="a_song")]}, "Nothing can be asked"),
        ({"edited": [LOCK, *(EditedStep(f"Step {n}") for n in range(60))]}, "too many"),
    ],
)
def test_what_can_not_be_is_refused_and_the_sheet_stays(sheet, given, says):
    with pytest.raises(DomainError, match=says):
        edit(**given)
    assert StepSheet.objects.get(kind=KIND) == sheet


def test_a_hazard_control_goes_when_it_is_named(sheet):
    new = edit(edited=[READ], gives_up=["lock"])
    assert [step["code"] for step in new.steps] == ["read"]


def test_the_second_of_two_editors_is_told_and_overwrites_nothing(sheet):
    edit(cautions=["Mind the mains.", "Mind the step."])
    with pytest.raises(DomainError, match="Version 2 is in use"):
        edit(cautions=["Only mine."])
    assert orders_steps.current_sheet(KIND).cautions == ["Mind the mains.", "Mind the step."]


def posted(**changed) -> dict:
    return {
        "from_version": "1", "cautions": "Mind the mains.\nMind the step.", "code-0": "lock",
        "text-0": "Lock out.",
        "control-0": "1", "place-0": "1", "code-1": "read", "text-1": "Read the meter.", "place-1": "2",
        "asks-1": "meter_total", "code-2": "", "text-2": "Knock.", "place-2": "0.5",
        "code-3": "", "text-3": "",
    } | changed  # fmt: skip


def test_the_page_saves_in_the_order_of_the_numbers(client, sheet):
    planner = make.person("planner")
    client.force_login(planner)
    assert client.post(reverse("step_sheet", args=[KIND]), posted()).status_code == 302
    new = orders_steps.current_sheet(KIND)
    assert [step["text"] for step in new.steps] == ["Knock.", "Lock out.", "Read the meter."]
    assert (new.made_by, new.steps[2]["asks"], new.steps[1]["is_hazard_control"]) == (
        planner,
        "meter_total",
        True,
    )


def test_the_page_asks_before_a_control_goes_and_keeps_what_was_typed(client, sheet):
    client.force_login(make.person("owner"))
    page = client.post(reverse("step_sheet", args=[KIND]), posted(**{"text-0": ""}))
    assert page.status_code == 422
    text = page.content.decode()
    assert "I know that this control goes: Lock out." in text
    assert "Knock." in text
    again = posted(**{"text-0": "", "gives_up": "lock"})
    assert client.post(reverse("step_sheet", args=[KIND]), again).status_code == 302


def test_the_list_and_each_version_can_be_read(client, sheet):
    edit(cautions=["Another."])
    client.force_login(make.person("planner"))
    assert "Change due" in client.get(reverse("step_sheets")).content.decode()
    old = client.get(reverse("step_sheet_version", args=[KIND, 1])).content.decode()
    assert "No longer in use" in old
    assert "Mind the mains." in old
    assert client.get(reverse("step_sheet_version", args=[KIND, 9])).status_code == 404
    assert client.get(reverse("step_sheet", args=["juggling"])).status_code == 404


@pytest.mark.parametrize("role", ["technician", "integrator"])
def test_sheets_are_edited_by_planner_and_owner_only(client, sheet, role):
    client.force_login(make.person(role))
    assert client.get(reverse("step_sheets")).status_code == 403
    assert client.post(reverse("step_sheet", args=[KIND]), posted()).status_code == 403
    assert client.get(reverse("step_sheet_version", args=[KIND, 1])).status_code == 403
    assert StepSheet.objects.filter(kind=KIND).count() == 1
