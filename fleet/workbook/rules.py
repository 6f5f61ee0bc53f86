"""What the sheets of the register ask beyond their declaration."""

from collections.abc import Callable, Hashable, Iterator
from datetime import datetime
from functools import cache
from typing import NamedTuple
from zoneinfo import available_timezones

from django.db import models

from fleet.models import MeterMeasure, MeterReading
from fleet.workbook.import_run import ImportRun, Problem, chunks
from fleet.workbook.parse import Row
from fleet.workbook.saving import Candidate
from shared.messages import message

_CORRECT_DATES = message("Correct one of the two dates.")


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def check_place(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A place's clocks are known, and where it is on earth is said by both figures or by none."""
    zone = candidate.values.get("time_zone")
    if zone is not None and zone not in _zones():
        text = message("There is no time zone of this name.")
        yield Problem("time_zone", text, message("Write it as America/Chicago."))
    latitude, longitude = candidate.becomes("latitude"), candidate.becomes("longitude")
    if (latitude is None) != (longitude is None):
        missing, there = ("latitude", "longitude") if latitude is None else ("longitude", "latitude")
        yield Problem(
            missing,
            message("{there} without {missing} is no place.", there=there, missing=missing),
            message("Fill in both, or leave both blank."),
        )
    if latitude == 0 and longitude == 0:
        yield Problem(
            "latitude",
            message("0, 0 lies in the Gulf of Guinea; programs write it where nothing is known."),
            message("Leave both blank, or give the true place."),
        )


def check_branch(run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A new branch is for people who see every branch."""
    yield from check_place(run, candidate)
    if run.branch_id is not None and candidate.existing is None:
        text = message("It is not your branch.")
        yield Problem("code", text, message("Leave the row out, or have somebody bring it in who may."))


def check_site(run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A new site belongs to a branch and has its clocks."""
    yield from check_place(run, candidate)
    values = candidate.values
    if candidate.existing is not None or candidate.row.get("branch") is not None or candidate.row.is_refused:
        branch = values.get("branch")
    else:
        branch = run.only_branch
        if branch is None:
            text = message("It is not said which branch the site belongs to.")
            yield Problem("branch", text, message("Write the code of a branch from the sheet branches."))
    if branch is not None:
        values["branch"] = branch
        if candidate.existing is None:
            values.setdefault("time_zone", branch.time_zone)


def check_part_kind(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A membrane names its type, nothing else does, and what is one stays one."""
    existing, role = candidate.existing, candidate.values["role"]
    names_type = bool(candidate.values.get("membrane_type"))
    if existing is not None and existing.role != role and "membrane" in (existing.role, role):
        text = message("A kind can't become a membrane or cease to be one.")
        yield Problem("role", text, message("Give the new kind a code of its own."))
    elif role == "membrane" and not names_type and existing is None:
        text = message("A membrane names its type.")
        yield Problem("membrane_type", text, message("Write polyamide or cellulose_triacetate."))
    elif role != "membrane" and names_type:
        text = message("Only a membrane has a membrane type.")
        yield Problem("membrane_type", text, message("Leave the cell blank."))


def check_treatment_unit(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """What is out of service says why."""
    if candidate.values.get("is_out_of_service") and not candidate.values.get("out_of_service_reason"):
        text = message("It is not said why it is out of service.")
        yield Problem("out_of_service_reason", text, message("Write the reason."))


def check_times(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """What came out went in before."""
    installed_at, removed_at = candidate.values["installed_at"], candidate.values.get("removed_at")
    if removed_at is not None and removed_at < installed_at:
        yield Problem("removed_at", message("It came out before it went in."), _CORRECT_DATES)


def check_meters(run: ImportRun, candidates: list[Candidate], existing: dict[Hashable, models.Model]) -> None:
    """Two meters are not on one water at one time, and one that was read keeps its measure and digits."""

    def named(meter: dict[str, object]) -> str:
        return message("meter {serial}", serial=meter["serial"]) if meter.get("serial") else message("meter")

    refuse_overlaps(run, candidates, existing, named, "meters", "place", "installed_at")
    doubtful = [
        (candidate, name)
        for candidate in candidates
        for name in ("measure", "digits")
        if candidate.existing is not None and not candidate.row.is_refused
        and candidate.becomes(name) != getattr(candidate.existing, name)
    ]  # fmt: skip
    read: set[int] = set()
    for part in chunks(sorted({candidate.existing.pk for candidate, _name in doubtful})):
        query = MeterReading.objects.filter(meter_id__in=part)
        read.update(query.values_list("meter_id", flat=True).distinct())
    for candidate, name in doubtful:
        meter = candidate.existing
        if meter.pk in read:
            text = message(
                "A meter that was read keeps its {name}: {label}, {digits} digits.",
                name=name,
                label=MeterMeasure(meter.measure).label,
                digits=meter.digits,
            )
            remedy = message("What was read would change its meaning: declare a new meter instead.")
            run.refuse(candidate.row, name, text, remedy)


class _Stay(NamedTuple):
    """A thing's time in a place. ``row`` is None for what stands in the database only."""

    place: Hashable
    begins: datetime
    ends: datetime | None
    name: str
    row: Row | None = None


def refuse_overlaps(
    run: ImportRun,
    candidates: list[Candidate],
    existing: dict[Hashable, models.Model],
    named: Callable[[dict[str, object]], str],
    what: str,
    where: str,
    column: str,
) -> None:
    """
    Refuse rows whose time in a place overlaps another's. The last of a key is the moment it begins.

    Parameters
    ----------
    named : callable
        Names a thing, from its values.
    what : str
        What is placed, in the plural, for the message.
    where : str
        What the place is called.
    column : str
        The column that problems are reported at.
    """
    names: dict[Hashable, str] = {}
    stays = []
    for candidate in candidates:
        key, name = candidate.key, named(candidate.values)
        # The same thing twice is told of when it is written.
        if not candidate.row.is_refused and names.get(key) != name:
            names[key] = name
            stays.append(_Stay(key[:-1], key[-1], candidate.becomes("removed_at"), name, candidate.row))
    for key, thing in existing.items():
        if key not in names:
            values = {name: getattr(thing, name) for name in ("kind", "serial") if hasattr(thing, name)}
            stays.append(_Stay(key[:-1], key[-1], thing.removed_at, named(values)))
    before: dict[Hashable, _Stay] = {}
    for stay in sorted(stays, key=lambda s: (s.begins, s.row is not None, s.row.number if s.row else 0)):
        other = before.get(stay.place)
        if other is not None and (other.ends is None or other.ends > stay.begins):
            late, early = (stay, other) if stay.row is not None else (other, stay)
            if late.row is not None and not late.row.is_refused:
                _refuse_overlap(run, late, early, what, where, column)
            if stay.row is not None:
                continue
        before[stay.place] = stay


def _refuse_overlap(run: ImportRun, stay: _Stay, other: _Stay, what: str, where: str, column: str) -> None:
    until = message("to {ends:%Y-%m-%d}", ends=other.ends) if other.ends else message("and was not taken out")
    source = message("row {number}", number=other.row.number) if other.row else message("in the database")
    text = message(
        "Two {what} in one {where}: {name} is there from {begins:%Y-%m-%d} {until} ({source}).",
        what=what,
        where=where,
        name=other.name,
        begins=other.begins,
        until=until,
        source=source,
    )
    run.refuse(stay.row, column, text, message("Give the one before its removed_at, or correct the dates."))
