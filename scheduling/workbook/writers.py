"""Access hours, technicians with skills and shifts, absences into their tables.

Service plans and their prices into their tables.
Dated terms of plans and tax rates into their tables: added, never overwritten.
"""

from collections.abc import Hashable
from datetime import date, time

from django.db.models import Model

from fleet.workbook.parse import ParsedSheet, Row, table_values
from fleet.workbook.saving import BATCH, Candidate, ImportRun, chunks, save_rows
from scheduling.models import (
    Absence,
    AccessHours,
    PlanPrice,
    PlanTerms,
    ServicePlan,
    Shift,
    Skill,
    TaxRate,
    Technician,
)
from shared.messages import message

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
            row,
            missing,
            message("A usual week needs {missing} too.", missing=missing),
            message("Fill it in, or leave all three blank."),
        )
    elif given:
        _check_hours(run, row, row.values["shift_starts_at"], row.values["shift_ends_at"], "shift_ends_at")


def _check_hours(run: ImportRun, row: Row, begins: time, ends: time, column: str) -> None:
    if ends <= begins:
        run.refuse(
            row,
            column,
            message("The end is not after the beginning."),
            message("Write hours of one day, e.g. 08:00 to 16:30."),
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
            run.refuse(
                row,
                "last_on",
                message("The last day is before the first."),
                message("Correct one of the two dates."),
            )
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


_REMEDY = message("Add a row to the sheet plan_terms, with the day it changes.")
_DATED = {name: (name, _REMEDY) for name in ("escalator_percent", "included_visits_per_year")}
"""Holds from a plan's start; what it becomes later has a date of its own."""


def write_plans(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write plans, one candidate per code, and a price per row."""
    known = run.known.setdefault("plans", {})
    first: dict[str, Candidate] = {}
    rows = []
    for row in parsed.good_rows:
        candidate = _plan(run, parsed, row, known.get(row.values["code"]))
        if candidate is None:
            continue
        earlier = first.setdefault(candidate.key, candidate)
        if earlier.values != candidate.values:
            differing = next(
                name for name in {**earlier.values, **candidate.values}
                if earlier.values.get(name) != candidate.values.get(name)
            )  # fmt: skip
            run.refuse(
                row,
                differing,
                message("Row {number} says otherwise of the same plan.", number=earlier.row.number),
                message("Rows of one plan differ in price and price_from_on only."),
            )
            continue
        rows.append(row)
    _refuse_double_prices(run, rows)
    counts = run.counts[parsed.sheet.name]
    before = (counts.added, counts.changed, counts.unchanged)
    outcome = save_rows(
        run, parsed, ServicePlan, list(first.values()), dict(known), key_column="code",
        frozen=_DATED,
    )  # fmt: skip
    touched = {row.values["code"]: obj for row, obj in outcome.saved}
    known.update(touched)
    counts.added, counts.changed, counts.unchanged = before
    _write_prices(run, parsed, [row for row in rows if not row.is_refused], touched, outcome.corrected_ids)


def _plan(run: ImportRun, parsed: ParsedSheet, row: Row, standing: ServicePlan | None) -> Candidate | None:
    site = run.find(row, "site", "sites")
    unit = run.find(row, "treatment_unit", "treatment_units")
    values = table_values(parsed, row, leave=("site", "treatment_unit", "price", "price_from_on"))
    starts_on = row.values["starts_on"]
    ends_on = row.get("ends_on", standing.ends_on if standing else None)
    if ends_on is not None and ends_on <= starts_on:
        run.refuse(
            row,
            "ends_on",
            message("The plan ends before it starts."),
            message("ends_on is the first day not covered."),
        )
    if unit is not None and site is not None and unit.site_id != site.pk:
        run.refuse(
            row,
            "treatment_unit",
            message("{serial} does not stand at site {code}.", serial=unit.serial, code=site.code),
            message("Correct the site or the treatment unit."),
        )
    if row.is_refused:
        return None
    values["site"] = site
    if unit is not None:
        values["treatment_unit"] = unit
    return Candidate(row, row.values["code"], values)


def _from_on(row: Row) -> date:
    return row.get("price_from_on", row.values["starts_on"])


def _refuse_double_prices(run: ImportRun, rows: list[Row]) -> None:
    seen: dict[tuple[str, date], Row] = {}
    for row in rows:
        earlier = seen.setdefault((row.values["code"], _from_on(row)), row)
        if earlier is not row:
            run.refuse(
                row,
                "price_from_on",
                message("Row {number} has the price of that day already.", number=earlier.number),
                message("Give a new price a later price_from_on."),
            )


def _write_prices(
    run: ImportRun,
    parsed: ParsedSheet,
    rows: list[Row],
    plans: dict[str, ServicePlan],
    corrected: set[int],
) -> None:
    """Add prices; one that stands otherwise is refused. A row counts as what happened to it most."""
    standing = {
        (price.plan_id, price.from_on): price.amount
        for ids in chunks(sorted(plan.pk for plan in plans.values()))
        for price in PlanPrice.objects.filter(plan_id__in=ids)
    }
    counts = run.counts[parsed.sheet.name]
    fresh = []
    for row in rows:
        plan = plans.get(row.values["code"])
        if plan is None:
            run.refuse(row, "code", message("Depends on another row of this plan, which was refused."),
                       message("Correct that row first."))  # fmt: skip
            continue
        amount = standing.get((plan.pk, _from_on(row)))
        if amount is None:
            fresh.append(PlanPrice(plan=plan, from_on=_from_on(row), amount=row.values["price"]))
            counts.added += 1
        elif amount != row.values["price"]:
            run.refuse(
                row,
                "price",
                message("The price from {row} on is {amount} already.", row=_from_on(row), amount=amount),
                message("A price is not overwritten: add a row with a later price_from_on."),
            )
        elif plan.pk in corrected:
            counts.changed += 1
        else:
            counts.unchanged += 1
    PlanPrice.objects.bulk_create(fresh, batch_size=BATCH)


_LATER = "Add a row with a later from_on, or take the standing one back on its page."


def write_plan_terms(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write terms of plans from a day on."""
    candidates = []
    for row in parsed.good_rows:
        plan = run.find(row, "plan", "plans")
        from_on = row.values["from_on"]
        if plan is not None and (from_on < plan.starts_on or (plan.ends_on and from_on >= plan.ends_on)):
            run.refuse(
                row,
                "from_on",
                message("Plan {code} does not run on this day.", code=plan.code),
                message(
                    "It runs from {starts_on} to {ends_on}.",
                    starts_on=plan.starts_on,
                    ends_on=plan.ends_on or "no fixed day",
                ),
            )
        if row.is_refused:
            continue
        values = table_values(parsed, row, leave=("plan",)) | {"plan": plan}
        values.setdefault("included_visits_per_year", None)
        candidates.append(Candidate(row, (plan.pk, from_on), values))
    existing = {
        (terms.plan_id, terms.from_on): terms
        for ids in chunks(sorted({candidate.key[0] for candidate in candidates}))
        for terms in PlanTerms.objects.filter(plan_id__in=ids, taken_back_at__isnull=True).select_related(
            "plan"
        )
    }
    _add(run, parsed, PlanTerms, candidates, existing)


def write_tax_rates(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write tax rates from a day on."""
    candidates = [
        Candidate(row, (row.values["code"], row.values["from_on"]), table_values(parsed, row))
        for row in parsed.good_rows
    ]
    existing = {
        (rate.code, rate.from_on): rate for rate in TaxRate.objects.filter(taken_back_at__isnull=True)
    }
    _add(run, parsed, TaxRate, candidates, existing)


def _add(
    run: ImportRun,
    parsed: ParsedSheet,
    model: type[Model],
    candidates: list[Candidate],
    existing: dict[Hashable, Model],
) -> None:
    """Add what is new; what stands otherwise is refused. Who and when are kept beside each."""
    names = {name for candidate in candidates for name in candidate.values}
    frozen = {name: (name, _LATER) for name in names}
    save_rows(
        run, parsed, model, [_signed(run, one, existing) for one in candidates], existing,
        key_column="from_on", frozen=frozen,
    )  # fmt: skip


def _signed(run: ImportRun, candidate: Candidate, existing: dict[Hashable, Model]) -> Candidate:
    if candidate.key not in existing:
        candidate.values |= {"made_at": run.now, "made_by": run.by}
    return candidate
