"""Access hours, technicians with skills and shifts, absences into their tables."""

from datetime import time

from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun, chunks
from fleet.workbook.save import Candidate, save_rows
from fleet.workbook.values import table_values
from scheduling.models import Absence, AccessHours, Shift, Skill, Technician

_SHIFT_COLUMNS = ("weekdays", "shift_starts_at", "shift_ends_at", "lunch_minutes")


def write_access_hours(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write when sites may be entered; a row of several weekdays is several rows of the table."""
    candidates = []
    for row in parsed.good_rows:
        site = run.find(row, "site", "sites")
        opens_at, closes_at = row.values["opens_at"], row.values["closes_at"]
        _check_hours(run, row, opens_at, closes_at, "closes_at")
        if row.is_refused:
            continue
        for weekday in row.values["weekday"]:
            values = {"site": site, "weekday": weekday, "opens_at": opens_at, "closes_at": closes_at}
            candidates.append(Candidate(row, (site.pk, weekday, opens_at), values))
    existing = {
        (hours.site_id, hours.weekday, hours.opens_at): hours
        for ids in chunks(sorted({candidate.key[0] for candidate in candidates}))
        for hours in AccessHours.objects.filter(site_id__in=ids).select_related("site")
    }
    save_rows(run, parsed, AccessHours, candidates, existing, key_column="opens_at")


def write_technicians(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write technicians, their skills and the shifts of their usual week."""
    known = run.known.setdefault("technicians", {})
    candidates = []
    for row in parsed.good_rows:
        branch = run.find(row, "branch", "branches")
        _check_week(run, row)
        values = table_values(parsed, row, leave=("branch", "skills", *_SHIFT_COLUMNS)) | {"branch": branch}
        candidates.append(Candidate(row, row.values["code"], values))
    outcome = save_rows(run, parsed, Technician, candidates, dict(known), key_column="code")
    known.update({row.values["code"]: obj for row, obj in outcome.saved})
    changed = _write_skills(run, outcome.saved) | _write_usual_weeks(run, outcome.saved)
    untouched = {obj.pk for _row, obj in outcome.added} | outcome.corrected_ids
    counts = run.counts[parsed.sheet.name]
    counts.changed += len(changed - untouched)
    counts.unchanged -= len(changed - untouched)


def _check_week(run: ImportRun, row: Row) -> None:
    """A usual week needs its days, its beginning and its end."""
    given = [name for name in _SHIFT_COLUMNS[:3] if row.get(name) is not None]
    if 0 < len(given) < 3:
        missing = next(name for name in _SHIFT_COLUMNS[:3] if name not in given)
        run.refuse(
            row, missing, f"A usual week needs {missing} too.", "Fill it in, or leave all three blank."
        )
    elif given:
        _check_hours(run, row, row.values["shift_starts_at"], row.values["shift_ends_at"], "shift_ends_at")


def _check_hours(run: ImportRun, row: Row, begins: time, ends: time, column: str) -> None:
    if ends <= begins:
        run.refuse(
            row, column, "The end is not after the beginning.", "Write hours of one day, e.g. 08:00 to 16:30."
        )


def _write_skills(run: ImportRun, saved: list[tuple[Row, Technician]]) -> set[int]:
    """Add the skills that rows name; return whose skills changed. Blank cells change nothing."""
    wanted: dict[int, set[str]] = {}
    for row, technician in saved:
        if row.get("skills") is not None:
            codes = {code.strip().lower().replace(" ", "_") for code in str(row.values["skills"]).split(";")}
            wanted[technician.pk] = codes - {""}
    names = set().union(*wanted.values()) if wanted else set()
    skills = {skill.code: skill for skill in Skill.objects.filter(code__in=names)}
    fresh = [
        Skill(code=code[:40], name=code.replace("_", " ").capitalize()) for code in names - skills.keys()
    ]
    skills |= {skill.code: skill for skill in Skill.objects.bulk_create(sorted(fresh, key=lambda s: s.code))}
    changed = set()
    for technician in Technician.objects.filter(pk__in=wanted).prefetch_related("skills"):
        if {skill.code for skill in technician.skills.all()} != wanted[technician.pk]:
            technician.skills.set([skills[code] for code in wanted[technician.pk]])
            changed.add(technician.pk)
    return changed


def _write_usual_weeks(run: ImportRun, saved: list[tuple[Row, Technician]]) -> set[int]:
    """Bring shifts in line with the usual week, but for days in the sheet shifts; return whose changed."""
    left: dict[str, set[int]] = {}
    if "shifts" in run.sheets:
        for row in run.sheets["shifts"].rows:
            left.setdefault(str(row.get("technician")), set()).update(row.get("weekday", ()))
    changed = set()
    for row, technician in saved:
        if row.get("weekdays") is None:
            continue
        hours = (row.values["shift_starts_at"], row.values["shift_ends_at"], row.get("lunch_minutes", 30))
        aside = left.get(technician.code, set())
        wanted = {weekday: hours for weekday in row.values["weekdays"] if weekday not in aside}
        standing = {
            shift.weekday: (shift.starts_at, shift.ends_at, shift.lunch_minutes)
            for shift in technician.shifts.all()
            if shift.weekday not in aside
        }
        if wanted != standing:
            _replace_week(technician, wanted, aside)
            changed.add(technician.pk)
    return changed


def _replace_week(technician: Technician, wanted: dict[int, tuple[time, time, int]], aside: set[int]) -> None:
    technician.shifts.exclude(weekday__in=aside).delete()
    Shift.objects.bulk_create(
        Shift(technician=technician, weekday=day, starts_at=begins, ends_at=ends, lunch_minutes=lunch)
        for day, (begins, ends, lunch) in wanted.items()
    )


def write_shifts(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write hours of single weekdays."""
    candidates = []
    for row in parsed.good_rows:
        technician = run.find(row, "technician", "technicians")
        _check_hours(run, row, row.values["starts_at"], row.values["ends_at"], "ends_at")
        if row.is_refused:
            continue
        for weekday in row.values["weekday"]:
            values = table_values(parsed, row, leave=("technician", "weekday"))
            values |= {"technician": technician, "weekday": weekday}
            candidates.append(Candidate(row, (technician.pk, weekday), values))
    existing = {
        (shift.technician_id, shift.weekday): shift
        for ids in chunks(sorted({candidate.key[0] for candidate in candidates}))
        for shift in Shift.objects.filter(technician_id__in=ids).select_related("technician")
    }
    save_rows(run, parsed, Shift, candidates, existing, key_column="weekday")


def write_absences(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write absences."""
    candidates = []
    for row in parsed.good_rows:
        technician = run.find(row, "technician", "technicians")
        if row.values["last_on"] < row.values["first_on"]:
            run.refuse(row, "last_on", "The last day is before the first.", "Correct one of the two dates.")
        if row.is_refused:
            continue
        values = table_values(parsed, row, leave=("technician",)) | {"technician": technician}
        candidates.append(Candidate(row, (technician.pk, row.values["first_on"]), values))
    existing = {
        (absence.technician_id, absence.first_on): absence
        for ids in chunks(sorted({candidate.key[0] for candidate in candidates}))
        for absence in Absence.objects.filter(technician_id__in=ids).select_related("technician")
    }
    save_rows(run, parsed, Absence, candidates, existing, key_column="first_on")
