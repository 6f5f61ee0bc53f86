"""Dated terms of plans and tax rates into their tables: added, never overwritten."""

from collections.abc import Hashable

from django.db.models import Model

from fleet.workbook.parse import ParsedSheet
from fleet.workbook.run import ImportRun, chunks
from fleet.workbook.save import Candidate, save_rows
from fleet.workbook.values import table_values
from scheduling.models import PlanTerms, TaxRate

_LATER = "Add a row with a later from_on, or take the standing one back on its page."


def write_plan_terms(run: ImportRun, parsed: ParsedSheet) -> None:
    """Write terms of plans from a day on."""
    candidates = []
    for row in parsed.good_rows:
        plan = run.find(row, "plan", "plans")
        from_on = row.values["from_on"]
        if plan is not None and (from_on < plan.starts_on or (plan.ends_on and from_on >= plan.ends_on)):
            run.refuse(row, "from_on", f"Plan {plan.code} does not run on this day.",
                       f"It runs from {plan.starts_on} to {plan.ends_on or 'no fixed day'}.")  # fmt: skip
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
