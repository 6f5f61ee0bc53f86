"""Service plans and their prices into their tables."""

from datetime import date

from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun, chunks
from fleet.workbook.save import BATCH, Candidate, save_rows
from fleet.workbook.values import table_values
from scheduling.models import PlanPrice, ServicePlan

_REMEDY = "Add a row to the sheet plan_terms, with the day it changes."
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
            run.refuse(row, differing, f"Row {earlier.row.number} says otherwise of the same plan.",
                       "Rows of one plan differ in price and price_from_on only.")  # fmt: skip
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
        run.refuse(row, "ends_on", "The plan ends before it starts.", "ends_on is the first day not covered.")
    if unit is not None and site is not None and unit.site_id != site.pk:
        run.refuse(row, "treatment_unit", f"{unit.serial} does not stand at site {site.code}.",
                   "Correct the site or the treatment unit.")  # fmt: skip
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
            run.refuse(row, "price_from_on", f"Row {earlier.number} has the price of that day already.",
                       "Give a new price a later price_from_on.")  # fmt: skip


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
            run.refuse(row, "code", "Depends on another row of this plan, which was refused.",
                       "Correct that row first.")  # fmt: skip
            continue
        amount = standing.get((plan.pk, _from_on(row)))
        if amount is None:
            fresh.append(PlanPrice(plan=plan, from_on=_from_on(row), amount=row.values["price"]))
            counts.added += 1
        elif amount != row.values["price"]:
            run.refuse(row, "price", f"The price from {_from_on(row)} on is {amount} already.",
                       "A price is not overwritten: add a row with a later price_from_on.")  # fmt: skip
        elif plan.pk in corrected:
            counts.changed += 1
        else:
            counts.unchanged += 1
    PlanPrice.objects.bulk_create(fresh, batch_size=BATCH)
