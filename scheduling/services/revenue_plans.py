"""Enters what plans earn by the month; where a plan's terms have changed since, the difference."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.db.models import Exists, OuterRef, Q

from scheduling.models import EntryKind, PlanPeriod, PlanPrice, RevenueEntry, ServicePlan
from scheduling.services.plan_money import DatedPrice, Relief, earned_in, months_of
from scheduling.services.revenue_months import BATCH, Months, RevenueReport, worded

PLANS_AT_ONCE: Final = 1000
"""Plans whose entries are held in memory together."""


def enter_plans(report: RevenueReport, months: Months, through: date, now: datetime) -> None:
    """Enter each plan's months; where a plan's terms have changed since, the difference.

    A plan whose start was moved is looked at as well when it begins after ``through`` by now: what was
    entered for months it no longer covers is corrected to nothing. Plans are read some at a time.
    """
    entered = RevenueEntry.objects.filter(plan=OuterRef("pk"), cause_key__startswith="plan:")
    ids = list(
        ServicePlan.objects.filter(Q(starts_on__lte=through) | Exists(entered))
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    for first in range(0, len(ids), PLANS_AT_ONCE):
        fresh = _fresh_entries(ids[first : first + PLANS_AT_ONCE], months, through, now)
        RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
        report.count(fresh)


def _fresh_entries(ids: list[int], months: Months, through: date, now: datetime) -> list[RevenueEntry]:
    """Return what some plans' months lack."""
    prices: dict[int, list[DatedPrice]] = defaultdict(list)
    rows = PlanPrice.objects.filter(plan__in=ids).order_by("plan_id", "from_on")
    for plan_id, from_on, amount in rows.values_list("plan_id", "from_on", "amount"):
        prices[plan_id].append(DatedPrice(from_on, amount))
    reliefs: dict[int, list[Relief]] = defaultdict(list)
    periods = PlanPeriod.objects.filter(plan__in=ids).order_by("plan_id", "from_on", "pk")
    for plan_id, *relief in periods.values_list("plan_id", "from_on", "to_on", "percent_off"):
        reliefs[plan_id].append(Relief(*relief))
    known = _known_plan_entries(ids)
    fresh: list[RevenueEntry] = []
    for plan in ServicePlan.objects.filter(pk__in=ids).order_by("pk"):
        due = {
            f"plan:{plan.pk}:{month:%Y-%m}": (month, _earned(plan, month, prices[plan.pk], reliefs[plan.pk]))
            for month in months_of(plan.starts_on, plan.ends_on, through)
        }
        entered = known.pop(plan.pk, {})
        for key, (month, amount) in due.items():
            standing = entered.pop(key, None)
            if standing is None and amount:
                fresh.append(_plan_entry(plan, key, month, amount, months, now))
            elif standing is not None and standing.amount != amount:
                fresh.append(_plan_change(plan, key, month, amount, standing, months, now))
        for key, standing in entered.items():
            month = date.fromisoformat(f"{key[-7:]}-01")
            if standing.amount and month <= through:
                fresh.append(_plan_change(plan, key, month, Decimal(0), standing, months, now))
    return fresh


@dataclass
class _Standing:
    """What a plan's month comes to so far: first entry, sum with its own changes, how many changes."""

    entry_id: int
    amount: Decimal
    changes: int = 0


def _known_plan_entries(ids: list[int]) -> dict[int, dict[str, _Standing]]:
    """Return plan -> cause -> what stands. Corrections by hand are left out: they stay as they are."""
    known: dict[int, dict[str, _Standing]] = defaultdict(dict)
    rows = RevenueEntry.objects.filter(plan__in=ids, cause_key__startswith="plan:").order_by("pk")
    for pk, plan_id, cause_key, amount in rows.values_list("pk", "plan_id", "cause_key", "amount").iterator():
        first, _, change = cause_key.partition(":change:")
        if change:
            standing = known[plan_id][first]
            standing.amount += amount
            standing.changes += 1
        else:
            known[plan_id][first] = _Standing(pk, amount)
    return known


def _earned(plan: ServicePlan, month: date, prices: list[DatedPrice], reliefs: list[Relief]) -> Decimal:
    return earned_in(
        month,
        interval=plan.interval,
        starts_on=plan.starts_on,
        ends_on=plan.ends_on,
        prices=prices,
        reliefs=reliefs,
    )


def _plan_entry(
    plan: ServicePlan, key: str, month: date, amount: Decimal, months: Months, now: datetime
) -> RevenueEntry:
    placed, late = months.place(month)
    return RevenueEntry(
        kind=EntryKind.PLAN,
        cause_key=key,
        site_id=plan.site_id,
        treatment_unit_id=plan.treatment_unit_id,
        plan=plan,
        month=placed,
        amount=amount,
        text=worded(f"{plan.code} {plan.name}, {month:%Y-%m}", late),
        entered_at=now,
    )


def _plan_change(
    plan: ServicePlan,
    key: str,
    month: date,
    amount: Decimal,
    standing: _Standing,
    months: Months,
    now: datetime,
) -> RevenueEntry:
    placed, late = months.place(month)
    text = f"{plan.code} {plan.name}, {month:%Y-%m}: {amount} instead of {standing.amount}"
    return RevenueEntry(
        kind=EntryKind.CORRECTION,
        cause_key=f"{key}:change:{standing.changes + 1}",
        site_id=plan.site_id,
        treatment_unit_id=plan.treatment_unit_id,
        plan=plan,
        corrects_id=standing.entry_id,
        month=placed,
        amount=amount - standing.amount,
        text=worded(text, late),
        entered_at=now,
    )
