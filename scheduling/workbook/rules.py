"""What the sheets of crew, plans and taxes ask beyond their declaration."""

from collections.abc import Iterator
from datetime import date

from fleet.models import AuditArea
from fleet.workbook.import_run import BATCH, ImportRun, Problem, chunks
from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.saving import Candidate, Outcome, candidates_of, save
from scheduling.models import PlanPrice, Shift, Skill, Technician
from shared.messages import message

_WEEK = ("weekdays", "shift_starts_at", "shift_ends_at")


def _hours(row: Row, begins: str, ends: str) -> Iterator[Problem]:
    if row.values[ends] <= row.values[begins]:
        text = message("The end is not after the beginning.")
        yield Problem(ends, text, message("Write hours of one day, e.g. 08:00 to 16:30."))


def check_access_hours(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """Hours end after they begin."""
    yield from _hours(candidate.row, "opens_at", "closes_at")


def check_shift(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """Hours end after they begin."""
    yield from _hours(candidate.row, "starts_at", "ends_at")


def check_absence(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """The last day is not before the first."""
    if candidate.values["last_on"] < candidate.values["first_on"]:
        text = message("The last day is before the first.")
        yield Problem("last_on", text, message("Correct one of the two dates."))


def check_technician(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """A usual week needs its days, its beginning and its end."""
    missing = [name for name in _WEEK if candidate.row.get(name) is None]
    if not missing:
        yield from _hours(candidate.row, "shift_starts_at", "shift_ends_at")
    elif len(missing) < len(_WEEK):
        text = message("A usual week needs {missing} too.", missing=missing[0])
        yield Problem(missing[0], text, message("Fill it in, or leave all three blank."))


def fill_technicians(run: ImportRun, outcome: Outcome) -> set[int]:
    """Write skills and the shifts of usual weeks; return the technicians that changed by it."""
    return _write_skills(outcome.saved) | _write_usual_weeks(run, outcome.saved)


def _write_skills(saved: list[tuple[Row, Technician]]) -> set[int]:
    """Give technicians the skills that rows name. Blank cells change nothing."""
    wanted: dict[int, set[str]] = {}
    for row, technician in saved:
        if row.get("skills") is not None:
            codes = {code.strip().lower().replace(" ", "_") for code in str(row.values["skills"]).split(";")}
            wanted[technician.pk] = codes - {""}
    names = set().union(*wanted.values()) if wanted else set()
    skills = {skill.code: skill for skill in Skill.objects.filter(code__in=names)}
    fresh = [
        Skill(code=code[:40], name=code.replace("_", " ").capitalize())
        for code in sorted(names - skills.keys())
    ]
    skills |= {skill.code: skill for skill in Skill.objects.bulk_create(fresh)}
    changed = set()
    for technician in Technician.objects.filter(pk__in=wanted).prefetch_related("skills"):
        if {skill.code for skill in technician.skills.all()} != wanted[technician.pk]:
            technician.skills.set([skills[code] for code in wanted[technician.pk]])
            changed.add(technician.pk)
    return changed


def _write_usual_weeks(run: ImportRun, saved: list[tuple[Row, Technician]]) -> set[int]:
    """Bring shifts in line with the usual week, but for days in the sheet shifts."""
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
        existing = {
            shift.weekday: (shift.starts_at, shift.ends_at, shift.lunch_minutes)
            for shift in technician.shifts.all()
            if shift.weekday not in aside
        }
        if wanted != existing:
            technician.shifts.exclude(weekday__in=aside).delete()
            Shift.objects.bulk_create(
                Shift(technician=technician, weekday=day, starts_at=begins, ends_at=ends, lunch_minutes=lunch)
                for day, (begins, ends, lunch) in wanted.items()
            )
            changed.add(technician.pk)
    return changed


def write_plans(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write plans, one candidate per code, and a price per row."""
    known = run.known.setdefault(parsed.sheet.name, {})
    first: dict[str, Candidate] = {}
    rows: list[Row] = []
    priced: dict[tuple[str, date], Row] = {}
    for candidate in candidates_of(run, parsed):
        row, values = candidate.row, candidate.values
        candidate.existing = known.get(values["code"])
        for problem in _plan_problems(candidate):
            run.refuse(row, *problem)
        if row.is_refused:
            continue
        earlier = first.setdefault(values["code"], candidate)
        if earlier.values != values:
            names = {**earlier.values, **values}
            differing = next(name for name in names if earlier.values.get(name) != values.get(name))
            run.refuse(
                row,
                differing,
                message("Row {number} says otherwise of the same plan.", number=earlier.row.number),
                message("Rows of one plan differ in price and price_from_on only."),
            )
            continue
        rows.append(row)
        other = priced.setdefault((values["code"], _from_on(row)), row)
        if other is not row:
            text = message("Row {number} has the price of that day already.", number=other.number)
            run.refuse(row, "price_from_on", text, message("Give a new price a later price_from_on."))
    counts = run.counts[parsed.sheet.name]
    before = (counts.added, counts.changed, counts.unchanged)
    outcome = save(run, parsed, list(first.values()))
    counts.added, counts.changed, counts.unchanged = before
    _write_prices(run, parsed, [row for row in rows if not row.is_refused], outcome)


def _plan_problems(candidate: Candidate) -> Iterator[Problem]:
    values = candidate.values
    ends_on, unit, site = candidate.becomes("ends_on"), values.get("treatment_unit"), values.get("site")
    if ends_on is not None and ends_on <= values["starts_on"]:
        text = message("The plan ends before it starts.")
        yield Problem("ends_on", text, message("ends_on is the first day not covered."))
    if unit is not None and site is not None and unit.site_id != site.pk:
        text = message("{serial} does not stand at site {code}.", serial=unit.serial, code=site.code)
        yield Problem("treatment_unit", text, message("Correct the site or the treatment unit."))


def _from_on(row: Row) -> date:
    return row.get("price_from_on", row.values["starts_on"])


def _write_prices(run: ImportRun, parsed: ParsedSheet, rows: list[Row], outcome: Outcome) -> None:
    """Add prices; one that stands otherwise is refused. A row counts as what happened to it most."""
    plans = {row.values["code"]: plan for row, plan in outcome.saved}
    existing = {
        (price.plan_id, price.from_on): price.amount
        for ids in chunks(sorted(plan.pk for plan in plans.values()))
        for price in PlanPrice.objects.filter(plan_id__in=ids)
    }
    counts = run.counts[parsed.sheet.name]
    fresh = []
    for row in rows:
        plan, from_on = plans.get(row.values["code"]), _from_on(row)
        if plan is None:
            text = message("Depends on another row of this plan, which was refused.")
            run.refuse(row, "code", text, message("Correct that row first."))
            continue
        amount = existing.get((plan.pk, from_on))
        if amount is None:
            fresh.append(PlanPrice(plan=plan, from_on=from_on, amount=row.values["price"]))
            counts.added += 1
        elif amount != row.values["price"]:
            text = message("The price from {row} on is {amount} already.", row=from_on, amount=amount)
            remedy = message("A price is not overwritten: add a row with a later price_from_on.")
            run.refuse(row, "price", text, remedy)
        elif plan.pk in outcome.corrected_ids:
            counts.changed += 1
        else:
            counts.unchanged += 1
    PlanPrice.objects.bulk_create(fresh, batch_size=BATCH)
    for price in fresh:
        detail = message("{amount} from {day} on", amount=price.amount, day=price.from_on)
        run.note(message("plan price set"), AuditArea.MONEY, price.plan.code, detail)


def check_plan_terms(_run: ImportRun, candidate: Candidate) -> Iterator[Problem]:
    """Terms hold on a day the plan runs; a blank number of visits is one, too."""
    plan, from_on = candidate.values.get("plan"), candidate.values["from_on"]
    candidate.values.setdefault("included_visits_per_year", None)
    if plan is not None and (from_on < plan.starts_on or (plan.ends_on and from_on >= plan.ends_on)):
        yield Problem(
            "from_on",
            message("Plan {code} does not run on this day.", code=plan.code),
            message(
                "It runs from {starts_on} to {ends_on}.",
                starts_on=plan.starts_on,
                ends_on=plan.ends_on or "no fixed day",
            ),
        )


def sign(run: ImportRun, _candidate: Candidate) -> dict[str, object]:
    """Who made it and when."""
    return {"made_at": run.now, "made_by": run.by}
