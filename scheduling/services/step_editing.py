"""Editing a step sheet: from the version one saw to a new one. No hazard control is lost unnoticed."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from fleet.models import Person
from scheduling.models import StepSheet
from scheduling.services import steps
from shared.errors import CannotDo

ASKS: Final[dict[str, str]] = {
    "": "nothing",
    "part": "the new part",
    "flush": "the flush",
    "meter_total": "the meter's total",
    "performance": "the gauges",
    "chlorine_after_carbon_mg_l": "chlorine after carbon",
}
"""What the phone may ask for beside a step's tick."""
MOST_STEPS: Final = 60
LONGEST: Final = 400
"""Characters of a step or caution; a longer one is read by nobody in a cellar."""


@dataclass(frozen=True)
class EditedStep:
    """One step as edited. Empty ``code``: a new step, which gets one from its text."""

    text: str
    code: str = ""
    is_hazard_control: bool = False
    asks: str = ""


def edit(
    kind: str,
    *,
    from_version: int,
    cautions: Sequence[str],
    edited: Sequence[EditedStep],
    gives_up: Sequence[str] = (),
    by: Person | None,
    now: datetime,
) -> StepSheet:
    """Put a new version into use. Close-outs keep the version they were worked by.

    ``gives_up`` names the codes of hazard controls that may go or be unmarked. Raises CannotDo when the sheet
    has moved on since ``from_version``, when nothing was changed, for a text missing or too long, or when a
    hazard control would go that ``gives_up`` does not name.
    """
    kept_cautions = [text.strip() for text in cautions if text.strip()]
    new_steps = _with_codes(edited)
    _check_texts(kept_cautions, new_steps)
    try:
        with transaction.atomic():
            current = StepSheet.objects.select_for_update().filter(kind=kind, is_current=True).first()
            if (current.version if current else 0) != from_version:
                raise _moved_on(current)
            if current is not None:
                _check_changed(current, kept_cautions, new_steps)
                _check_controls(current, new_steps, set(gives_up))
            return steps.revise(kind, cautions=kept_cautions, steps=new_steps, by=by, now=now)
    except IntegrityError as error:
        raise _moved_on(steps.current_sheet(kind)) from error


def as_edited(current: StepSheet | None) -> list[EditedStep]:
    """Return a sheet's steps as they are before any change."""
    return [
        EditedStep(one["text"], one["code"], bool(one.get("is_hazard_control")), one.get("asks", ""))
        for one in (current.steps if current else [])
    ]


def controls_given_up(current: StepSheet | None, edited: Sequence[EditedStep]) -> list[dict]:
    """Return the hazard controls of a sheet that an edit takes away or no longer marks."""
    if current is None:
        return []
    kept = {step.code for step in edited if step.is_hazard_control and step.text.strip()}
    return [step for step in current.steps if step.get("is_hazard_control") and step["code"] not in kept]


def _with_codes(edited: Sequence[EditedStep]) -> list[dict]:
    """Return steps as stored, each with a code of its own; a known step keeps its code."""
    rows = [step for step in edited if step.text.strip()]
    taken = {step.code for step in rows if step.code}
    made = []
    for step in rows:
        code = step.code
        if not code:
            base = slugify(step.text)[:32].strip("-").replace("-", "_") or "step"
            number = 1
            code = base
            while code in taken:
                number += 1
                code = f"{base}_{number}"
            taken.add(code)
        made.append({**asdict(step), "code": code, "text": step.text.strip()})
    return made


def _check_texts(cautions: list[str], new_steps: list[dict]) -> None:
    if len(new_steps) > MOST_STEPS:
        raise CannotDo(
            f"{len(new_steps)} steps are too many.", remedy=f"Keep to {MOST_STEPS}.", field="steps"
        )
    for text in [*cautions, *(step["text"] for step in new_steps)]:
        if len(text) > LONGEST:
            raise CannotDo(
                f"“{text[:40]}…” is {len(text)} characters long.",
                remedy=f"Split it; {LONGEST} are the most.", field="steps",
            )  # fmt: skip
    for step in new_steps:
        if step["asks"] not in ASKS:
            raise CannotDo(
                f"Nothing can be asked by {step['asks']!r}.",
                remedy=f"Choose one of: {', '.join(ASKS.values())}.", field="steps",
            )  # fmt: skip


def _check_changed(current: StepSheet, cautions: list[str], new_steps: list[dict]) -> None:
    old = [asdict(step) for step in as_edited(current)]
    if cautions == list(current.cautions) and new_steps == old:
        raise CannotDo("Nothing was changed.", remedy="Change a caution or a step, then save.")


def _check_controls(current: StepSheet, new_steps: list[dict], gives_up: set[str]) -> None:
    edited = [EditedStep(step["text"], step["code"], step["is_hazard_control"]) for step in new_steps]
    for step in controls_given_up(current, edited):
        if step["code"] not in gives_up:
            raise CannotDo(
                f"“{step['text']}” guards people and would no longer be a hazard control.",
                remedy="Put it back, or confirm below that this control is to go.",
                field="controls",
            )


def _moved_on(current: StepSheet | None) -> CannotDo:
    told = f"Version {current.version} is in use by now." if current else "There is no such sheet any more."
    return CannotDo(told, remedy="Load the sheet again and enter your change there.")
