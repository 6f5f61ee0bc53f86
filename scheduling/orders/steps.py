"""Step sheets as versioned data, edited from the version one saw. No hazard control is lost unnoticed.

The first version of each is in ``kinds``.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from fleet.models import Person
from scheduling.models import OrderKind, StepSheet
from scheduling.orders.kinds import WORK_KINDS
from scheduling.orders.step_library import CONDITIONS, PHASES, applies, in_phases
from shared.errors import DomainError
from shared.messages import message


def ensure_step_sheets(now: datetime) -> int:
    """Write the house's sheet of each kind where there is none, or an older one nobody ever edited.

    Returns how many were written.
    """
    current = {sheet.kind: sheet for sheet in StepSheet.objects.filter(is_current=True)}
    edited = set(StepSheet.objects.filter(made_by__isnull=False).values_list("kind", flat=True))
    written = 0
    for kind in OrderKind:
        steps = [step.as_stored() for step in WORK_KINDS[kind].steps]
        sheet = current.get(kind)
        if sheet is None or (kind not in edited and sheet.version in HOUSE_VERSIONS and sheet.steps != steps):
            written += _write_house(kind, sheet, steps, now)
    return written


HOUSE_VERSIONS: Final = (1, 2)
"""Versions the house has put into use and since made better."""


def _write_house(kind: str, old: StepSheet | None, steps: list[dict], now: datetime) -> bool:
    """Put the house's steps into use; of two at once one writes."""
    try:
        with transaction.atomic():
            if old is not None:
                StepSheet.objects.filter(pk=old.pk).update(is_current=False)
            StepSheet.objects.create(
                kind=kind, version=old.version + 1 if old else 1, is_current=True, made_at=now,
                cautions=WORK_KINDS[kind].cautions, steps=steps,
            )  # fmt: skip
    except IntegrityError:
        return False
    return True


def current_sheet(kind: str) -> StepSheet | None:
    """Return the sheet in use for a kind of work; None before the first was written."""
    return StepSheet.objects.filter(kind=kind, is_current=True).first()


def current_sheets(kinds: Collection[str] = OrderKind.values) -> dict[str, StepSheet]:
    """Return the sheets in use of some kinds, by kind."""
    return {sheet.kind: sheet for sheet in StepSheet.objects.filter(kind__in=kinds, is_current=True)}


def current_cautions(kinds: Collection[str] = OrderKind.values) -> list[str]:
    """Return what the sheets in use of some kinds warn of, each once, in the order of the kinds."""
    sheets = StepSheet.objects.filter(kind__in=kinds, is_current=True).order_by("kind")
    return list(dict.fromkeys(text for sheet in sheets for text in sheet.cautions))


@transaction.atomic
def revise(
    kind: str, *, cautions: list[str], steps: list[dict], by: Person | None, now: datetime
) -> StepSheet:
    """Put a new version of a sheet into use; the old one stays readable.

    Raises DomainError for a sheet without cautions, a step without code or text, or a code used twice.
    """
    if kind not in OrderKind.values:
        raise DomainError(
            message("There is no kind of work {kind!r}.", kind=kind),
            remedy=message("Choose one of: {values}.", values=OrderKind.values),
        )
    if not [text for text in cautions if text.strip()]:
        raise DomainError(
            message("A sheet begins with its cautions."),
            remedy=message("Write at least one."),
            field="cautions",
        )
    codes = [str(step.get("code", "")).strip() for step in steps]
    if not steps or not all(codes) or not all(str(step.get("text", "")).strip() for step in steps):
        raise DomainError(
            message("Each step has a code and a text."), remedy=message("Fill in both."), field="steps"
        )
    if len(set(codes)) != len(codes):
        raise DomainError(
            message("Two steps have the same code."), remedy=message("Give each its own."), field="steps"
        )
    rows = list(StepSheet.objects.select_for_update().filter(kind=kind).order_by("-version"))
    StepSheet.objects.filter(kind=kind, is_current=True).update(is_current=False)
    return StepSheet.objects.create(
        kind=kind, version=rows[0].version + 1 if rows else 1, is_current=True, cautions=cautions,
        steps=[
            {
                "code": code,
                "text": step["text"].strip(),
                "is_hazard_control": bool(step.get("is_hazard_control")),
                "asks": str(step.get("asks", "")),
                **{name: step[name] for name in ("phase", "when") if step.get(name)},
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


def merged(sheets: Sequence[StepSheet]) -> list[dict]:
    """Return the steps of several sheets as one list by phase, each code once, every sheet's order kept.

    A step only a later sheet has follows the one it follows there. One sheet that asks for a step without a
    condition is enough.
    """
    rows: list[dict] = []
    for sheet in sheets:
        place = 0
        for step in sheet.steps:
            at = next((n for n, row in enumerate(rows) if row["code"] == step["code"]), None)
            if at is None:
                rows.insert(place, dict(step))
                at = place
            elif (not step.get("when"), step["is_hazard_control"]) > (
                not rows[at].get("when"),
                rows[at]["is_hazard_control"],
            ):
                rows[at] = dict(step)
            place = max(place, at + 1)
    return in_phases(rows)


def not_called_for(sheet: StepSheet | None, known: Mapping[str, bool | None]) -> set[str]:
    """Return the codes of a sheet's steps whose condition does not hold."""
    return {step["code"] for step in (sheet.steps if sheet else ()) if not applies(step, known)}


def controls_of(sheet: StepSheet) -> set[str]:
    """Return the codes of a sheet's hazard controls."""
    return {step["code"] for step in sheet.steps if step.get("is_hazard_control")}


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
    """Return the hazard controls skipped with a reason. Raises DomainError for one skipped without.

    ``excused`` names steps that this outcome leaves to a later visit.
    """
    if sheet is None:
        return []
    skipped = [step for step in skipped_controls(sheet, record) if step["code"] not in excused]
    for step in skipped:
        if not step["because"]:
            raise DomainError(
                message("The step “{text}” is safety-critical and is not ticked.", text=step["text"]),
                remedy=message(
                    "Do it and tick it, or write why it was not done; the planner sees the reason."
                ),
                field=f"step:{step['code']}",
            )
    return skipped


ASKS: Final[dict[str, str]] = {
    "": message("nothing"),
    "part": message("the new part"),
    "flush": message("the flush"),
    "meter_total": message("the meter's total"),
    "performance": message("the gauges"),
    "feed_test": message("the feed test"),
    "chlorine_after_carbon_mg_l": message("chlorine after carbon"),
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
    phase: str = ""
    when: str = ""


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

    ``gives_up`` names the codes of hazard controls that may go or be unmarked. Raises DomainError when the
    sheet
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
                kept_cautions, new_steps = _as_they_were(current, kept_cautions, new_steps)
                _check_changed(current, kept_cautions, new_steps)
                _check_controls(current, new_steps, set(gives_up))
            return revise(kind, cautions=kept_cautions, steps=new_steps, by=by, now=now)
    except IntegrityError as error:
        raise _moved_on(current_sheet(kind)) from error


def as_edited(current: StepSheet | None) -> list[EditedStep]:
    """Return a sheet's steps as they are before any change."""
    return [
        EditedStep(
            one["text"],
            one["code"],
            bool(one.get("is_hazard_control")),
            one.get("asks", ""),
            one.get("phase", ""),
            one.get("when", ""),
        )
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


def _as_they_were(
    current: StepSheet, cautions: list[str], new_steps: list[dict]
) -> tuple[list[str], list[dict]]:
    """Return an edit whose unchanged texts are the sheet's own, so that the house's stay messages."""
    before = {text: text for text in [*current.cautions, *(step["text"] for step in current.steps)]}
    rows = [{**step, "text": before.get(step["text"], step["text"])} for step in new_steps]
    return [before.get(text, text) for text in cautions], rows


def _check_texts(cautions: list[str], new_steps: list[dict]) -> None:
    if len(new_steps) > MOST_STEPS:
        raise DomainError(
            message("{new_steps} steps are too many.", new_steps=len(new_steps)),
            remedy=message("Keep to {most_steps}.", most_steps=MOST_STEPS),
            field="steps",
        )
    for text in [*cautions, *(step["text"] for step in new_steps)]:
        if len(text) > LONGEST:
            raise DomainError(
                message("“{text}…” is {text2} characters long.", text=text[:40], text2=len(text)),
                remedy=message("Split it; {longest} are the most.", longest=LONGEST), field="steps",
            )  # fmt: skip
    for step in new_steps:
        if step["phase"] not in ("", *PHASES) or step["when"] not in ("", *CONDITIONS):
            raise DomainError(
                message("“{text}” has a phase or condition that is none.", text=step["text"][:40]),
                remedy=message("Choose one from the list."), field="steps",
            )  # fmt: skip
        if step["asks"] not in ASKS:
            raise DomainError(
                message("Nothing can be asked by {asks!r}.", asks=step['asks']),
                remedy=message("Choose one of: {list}.", list=list(ASKS.values())), field="steps",
            )  # fmt: skip


def _check_changed(current: StepSheet, cautions: list[str], new_steps: list[dict]) -> None:
    old = [asdict(step) for step in as_edited(current)]
    if cautions == list(current.cautions) and new_steps == old:
        raise DomainError(
            message("Nothing was changed."), remedy=message("Change a caution or a step, then save.")
        )


def _check_controls(current: StepSheet, new_steps: list[dict], gives_up: set[str]) -> None:
    edited = [EditedStep(step["text"], step["code"], step["is_hazard_control"]) for step in new_steps]
    for step in controls_given_up(current, edited):
        if step["code"] not in gives_up:
            raise DomainError(
                message(
                    "“{text}” is safety-critical and would no longer be a hazard control.", text=step["text"]
                ),
                remedy=message("Put it back, or confirm below that this control is to go."),
                field="controls",
            )


def _moved_on(current: StepSheet | None) -> DomainError:
    told = (
        message("Version {version} is in use by now.", version=current.version)
        if current
        else message("There is no such sheet any more.")
    )
    return DomainError(told, remedy=message("Load the sheet again and enter your change there."))
