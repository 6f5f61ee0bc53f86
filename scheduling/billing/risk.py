"""Recurring revenue at risk, by reason, and what it costs to be late with spent carbon."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Final

import numpy as np
from django.db.models import Count, Q
from django.utils.translation import gettext

from fleet.models import PartRole, PartState, ReadinessState, UnitState
from fleet.science.economics import chance_past
from scheduling.billing.bridge import to_money
from scheduling.contracts.plan_columns import day_number, of_branch, read_plans
from scheduling.models import WorkOrder
from scheduling.money.recurring import standing_on
from scheduling.orders.kinds import WORK_KINDS
from shared.money import to_cents
from shared.periods import days_late

UNREADY: Final = [ReadinessState.FLUSH_OWED, ReadinessState.BEDDING, ReadinessState.OUT_OF_SERVICE]
CARBON_ROLES: Final = [PartRole.CARBON, PartRole.CATALYTIC_CARBON]
LEAST_CHANCE: Final = 0.5
"""Carbon counts as spent from this chance of being past its limit on. Ours. [-]"""
_DAYS_PER_WEEK: Final = 7
ZERO: Final = Decimal("0.00")


@dataclass(frozen=True)
class RiskReview:
    """Sites, the dearest first, and membranes behind spent carbon, the dearest week first."""

    monthly: Decimal
    """All recurring revenue, at risk or not."""
    sites: list[dict[str, Any]]
    """``site_code``, ``site_name``, ``customer``, ``monthly`` and the counts of ``risk_counts``."""
    late: list[dict[str, Any]]
    """As from ``late_carbon``."""
    gone_through: int = 0
    """Plans."""

    @property
    def at_risk(self) -> Decimal:
        """Recurring revenue of all sites at risk; a site counts once, whatever its reasons."""
        return sum((row["monthly"] for row in self.sites), ZERO)

    @property
    def weekly(self) -> Decimal:
        """What one more week of being late is expected to cost, all together."""
        return sum((row["weekly"] for row in self.late), ZERO)

    def reasons(self) -> list[tuple[str, int, Decimal]]:
        """Return each reason with its sites and their revenue; a site with two reasons stands in both."""
        words = {
            "overdue": gettext("Work late"),
            "unready": gettext("Not ready for service"),
            "decaying": gettext("Performance decays"),
        }
        reasons = []
        for name, word in words.items():
            monthly = [row["monthly"] for row in self.sites if row[name]]
            reasons.append((word, len(monthly), sum(monthly, ZERO)))
        return reasons


def risk_review(*, today: date, branch_id: int | None, with_costs: bool = True) -> RiskReview:
    """Return what is at risk today; costs only if wanted. Seven queries, however many sites."""
    table = read_plans(branch_id)
    cents = standing_on(table.columns, day_number(today)).cents
    columns = table.words[["site_id", "site", "site_name", "customer_name"]].set_axis(
        ["site_id", "site_code", "site_name", "customer"], axis=1
    )
    by_site = columns.assign(cents=cents).groupby("site_id").agg(
        {"site_code": "first", "site_name": "first", "customer": "first", "cents": "sum"}
    )  # fmt: skip
    brings = by_site[by_site["cents"] != 0].to_dict("index")
    sites = [
        {**words, "monthly": to_money(words["cents"]), **count}
        for site_id, count in risk_counts(today, branch_id).items()
        if (words := brings.get(site_id))
    ]
    return RiskReview(
        monthly=to_money(cents.sum()),
        sites=sorted(sites, key=lambda row: (-row["monthly"], row["site_code"])),
        late=late_carbon(today=today, branch_id=branch_id) if with_costs else [],
        gone_through=len(table.words),
    )


def risk_counts(today: date, branch_id: int | None) -> dict[int, dict[str, int]]:
    """Return per site how much work is overdue, how many treatment units are unready, how many decay."""
    kinds = [one.kind for one in WORK_KINDS.values() if one.is_risk_when_late]
    late = WorkOrder.objects.late(today).filter(kind__in=kinds)
    states = UnitState.objects.filter(Q(readiness__in=UNREADY) | Q(is_decaying=True))
    late = of_branch(late, "site", branch_id)
    states = of_branch(states, "treatment_unit__site", branch_id)
    counts: dict[int, dict[str, int]] = defaultdict(lambda: {"overdue": 0, "unready": 0, "decaying": 0})
    for site_id, count in late.values_list("site_id").annotate(count=Count("pk")).order_by():
        counts[site_id]["overdue"] = count
    counted = states.values_list("treatment_unit__site_id").annotate(
        unready=Count("pk", filter=Q(readiness__in=UNREADY)), decaying=Count("pk", filter=Q(is_decaying=True))
    )
    for site_id, unready, decaying in counted.order_by():
        counts[site_id] |= {"unready": unready, "decaying": decaying}
    return counts


def late_carbon(*, today: date, branch_id: int | None) -> list[dict[str, Any]]:
    """Return membranes behind carbon whose likely date has passed, the dearest week first.

    A week costs the share of the membrane's tolerance of oxidants that is spent in it, times the chance
    that the carbon is past its limit, times what the membrane costs: ``weekly`` [currency/week].
    ``membrane_wear`` is the share of its tolerance used so far.
    """
    states = of_branch(
        PartState.objects.filter(part__removed_at__isnull=True), "treatment_unit__site", branch_id
    )
    overdue = states.filter(part__kind__role__in=CARBON_ROLES, likely_on__lt=today)
    carbon = list(
        overdue.filter(early_on__isnull=False, late_on__isnull=False)
        .values_list("treatment_unit_id", "part__kind__name", "early_on", "likely_on", "late_on", "numbers")
        .order_by("likely_on", "pk")
    )
    if not carbon:
        return []
    membranes = {
        row[0]: row[1:]
        for row in states.filter(
            part__kind__role=PartRole.MEMBRANE, treatment_unit_id__in=overdue.values("treatment_unit_id")
        )
        .values_list(
            "treatment_unit_id", "treatment_unit__serial", "treatment_unit__site__code",
            "treatment_unit__site__name", "part__kind__name", "part__kind__cost", "numbers",
        )
    }  # fmt: skip
    dates = np.array([[day_number(day) for day in row[2:5]] for row in carbon], dtype=np.float64)
    chances = chance_past(np.float64(day_number(today)), *dates.T).tolist()
    rows = []
    for (unit_id, carbon_name, _, likely, _, carbons), chance in zip(carbon, chances, strict=True):
        if unit_id not in membranes or chance < LEAST_CHANCE:
            continue
        serial, site_code, site_name, membrane, price, membranes_own = membranes[unit_id]
        exposure = membranes_own.get("limits", {}).get("oxidant_exposure", {})
        wear_per_day, wear = exposure.get("wear_per_day"), exposure.get("wear")
        lost = carbons.get("membrane_life_lost_per_week")
        if lost is None:
            lost = (wear_per_day or 0.0) * _DAYS_PER_WEEK
        weekly = to_cents(Decimal(repr(float(lost) * chance)) * price)
        if weekly > 0:
            rows.append(
                {
                    "serial": serial, "site_code": site_code, "site_name": site_name, "carbon": carbon_name,
                    "membrane": membrane, "likely_on": likely, "days_late": days_late(likely, today),
                    "chance_spent": chance, "membrane_wear": wear, "membrane_price": price, "weekly": weekly,
                }
            )  # fmt: skip
    return sorted(rows, key=lambda row: (-row["weekly"], row["serial"]))
