"""Step sheets as versioned data, and the rule that no hazard control is skipped silently."""

from collections.abc import Collection, Sequence
from dataclasses import asdict
from datetime import datetime

from django.db import transaction

from fleet.models import Person
from scheduling.models import OrderKind, StepSheet
from scheduling.services.step_texts import SHEETS, cautions_for
from shared.errors import CannotDo


def ensure_step_sheets(now: datetime) -> int:
    """Write the first version of each kind's sheet where there is none. Returns how many were written."""
    known = set(StepSheet.objects.values_list("kind", flat=True).distinct())
    fresh = [
        StepSheet(
            kind=kind, version=1, is_current=True, made_at=now, cautions=cautions_for(kind),
            steps=[asdict(step) for step in steps],
        )
        for kind, steps in SHEETS.items()
        if kind not in known
    ]  # fmt: skip
    StepSheet.objects.bulk_create(fresh, ignore_conflicts=True)
    return len(fresh)


def current_sheet(kind: str) -> StepSheet | None:
    """Return the sheet in use for a kind of work; None before the first was written."""
    return StepSheet.objects.filter(kind=kind, is_current=True).first()


@transaction.atomic
def revise(
    kind: str, *, cautions: list[str], steps: list[dict], by: Person | None, now: datetime
) -> StepSheet:
    """Put a new version of a sheet into use; the old one stays readable.

    Raises CannotDo for a sheet without cautions, a step without code or text, or a code used twice.
    """
    if kind not in OrderKind.values:
        raise CannotDo(f"There is no kind of work {kind!r}.", remedy=f"Choose one of: {OrderKind.values}.")
    if not [text for text in cautions if text.strip()]:
        raise CannotDo("A sheet begins with its cautions.", remedy="Write at least one.", field="cautions")
    codes = [str(step.get("code", "")).strip() for step in steps]
    if not steps or not all(codes) or not all(str(step.get("text", "")).strip() for step in steps):
        raise CannotDo("Each step has a code and a text.", remedy="Fill in both.", field="steps")
    if len(set(codes)) != len(codes):
        raise CannotDo("Two steps have the same code.", remedy="Give each its own.", field="steps")
    rows = list(StepSheet.objects.select_for_update().filter(kind=kind).order_by("-version"))
    StepSheet.objects.filter(kind=kind, is_current=True).update(is_current=False)
    return StepSheet.objects.create(
        kind=kind, version=rows[0].version + 1 if rows else 1, is_current=True, cautions=cautions,
        steps=[
            {
                "code": code,
                "text": str(step["text"]).strip(),
                "is_hazard_control": bool(step.get("is_hazard_control")),
                "asks": str(step.get("asks", "")),
            }
            for code, step in zip(codes, steps, strict=True)
        ],
        made_at=now, made_by=by,
    )  # fmt: skip


def all_done(kind: str) -> list[dict]:
    """Return the record of somebody who has done every step, for a sheet in use."""
    sheet = current_sheet(kind)
    return (
        [{"code": step["code"], "done": True, "skipped_because": ""} for step in sheet.steps] if sheet else []
    )


def skipped_controls(sheet: StepSheet, record: Sequence[dict]) -> list[dict]:
    """Return the hazard controls that were skipped, each with its reason ("" when none was given)."""
    told = {str(entry.get("code")): entry for entry in record}
    skipped = []
    for step in sheet.steps:
        entry = told.get(step["code"], {})
        if step["is_hazard_control"] and not entry.get("done"):
            skipped.append({**step, "because": str(entry.get("skipped_because") or "").strip()})
    return skipped


def check_record(
    sheet: StepSheet | None, record: Sequence[dict], *, excused: Collection[str] = ()
) -> list[dict]:
    """Return the hazard controls skipped with a reason. Raises CannotDo for one skipped without.

    ``excused`` names steps that this outcome leaves to a later visit.
    """
    if sheet is None:
        return []
    skipped = [step for step in skipped_controls(sheet, record) if step["code"] not in excused]
    for step in skipped:
        if not step["because"]:
            raise CannotDo(
                f"The step “{step['text']}” guards people and is not ticked.",
                remedy="Do it and tick it, or write why it was not done; the planner sees the reason.",
                field=f"step:{step['code']}",
            )
    return skipped
