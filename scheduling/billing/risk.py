"""Recurring revenue at risk, by reason, and what it costs to be late with spent carbon."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final, NamedTuple

import numpy as np
from django.db.models import Count, Q, QuerySet
from django.utils.translation import gettext

from fleet.models import PartRole, PartState, ReadinessState, UnitState
from fleet.science.economics import chance_past
from scheduling.billing.bridge import to_money
from scheduling.contracts.plan_columns import day_number, read_plans
from scheduling.models import WorkOrder
from scheduling.money.recurring import standing_on
from scheduling.orders.kinds import WORK_KINDS
from shared.money import to_cents

UNREADY: Final = [ReadinessState.FLUSH_OWED, ReadinessState.BEDDING, ReadinessState.OUT_OF_SERVICE]
CARBON_ROLES: Final = [PartRole.CARBON, PartRole.CATALYTIC_CARBON]
LEAST_CHANCE: Final = 0.5
"""Carbon counts as spent from this chance of being past its limit on. Ours. [-]"""
_DAYS_PER_WEEK: Final = 7


class RiskSite(NamedTuple):
    """A site whose recurring revenue is at risk, and why."""

    site_code: str
    site_name: str
    customer: str
    cents: int
    overdue: int
    unready: int
    decaying: int

    @property
    def monthly(self) -> Decimal:
        """What its plans bring a month."""
        return to_money(self.cents)


@dataclass(frozen=True)
class LateCarbon:
    """A membrane behind carbon that is likely spent."""

    serial: str
    site_code: str
    site_name: str
    carbon: str
    membrane: str
    likely_on: date
    days_late: int
    chance_spent: float
    membrane_wear: float | None
    """Share of its tolerance of oxidants used so far."""
    membrane_price: Decimal
    weekly: Decimal
    """What a further week in place is expected to cost the membrane. [currency/week]"""


@dataclass(frozen=True)
class RiskReview:
    """Sites, the dearest first, and membranes behind spent carbon, the dearest week first."""

    monthly: Decimal
    """All recurring revenue, at risk or not."""
    sites: list[RiskSite]
    late: list[LateCarbon]
    gone_through: int = 0
    """Plans."""

    @property
    def at_risk(self) -> Decimal:
        """Recurring revenue of all sites at risk; a site counts once, whatever its reasons."""
        return to_money(sum(row.cents for row in self.sites))

    @property
    def weekly(self) -> Decimal:
        """What one more week of being late is expected to cost, all together."""
        return sum((row.weekly for row in self.late), Decimal("0.00"))

    def reasons(self) -> list[tuple[str, int, Decimal]]:
        """Return each reason with its sites and their revenue; a site with two reasons stands in both."""
        words = {
            "overdue": gettext("Work overdue"),
            "unready": gettext("Not ready for service"),
            "decaying": gettext("Performance decays"),
        }
        found = []
        for name, word in words.items():
            rows = [row for row in self.sites if getattr(row, name)]
            found.append((word, len(rows), to_money(sum(row.cents for row in rows))))
        return found


def risk_review(*, today: date, branch_id: int | None, with_costs: bool = True) -> RiskReview:
    """Return what is at risk today; costs only if wanted. Seven queries, however many sites."""
    table = read_plans(branch_id)
    cents = standing_on(table.columns, day_number(today)).cents
    by_site: dict[int, int] = defaultdict(int)
    for site_id, amount in zip(table.words["site_id"].tolist(), cents.tolist(), strict=True):
        by_site[site_id] += amount
    columns = (table.words[name].tolist() for name in ("site", "site_name", "customer_name"))
    names = dict(zip(table.words["site_id"].tolist(), zip(*columns, strict=True), strict=True))
    sites = [
        RiskSite(*names[site_id], by_site[site_id], **count)
        for site_id, count in risk_counts(today, branch_id).items()
        if by_site.get(site_id)
    ]
    return RiskReview(
        monthly=to_money(cents.sum()),
        sites=sorted(sites, key=lambda row: (-row.cents, row.site_code)),
        late=late_carbon(today=today, branch_id=branch_id) if with_costs else [],
        gone_through=len(table.words),
    )


def risk_counts(today: date, branch_id: int | None) -> dict[int, dict[str, int]]:
    """Return per site how much work is overdue, how many treatment units are unready, how many decay."""
    kinds = [one.kind for one in WORK_KINDS.values() if one.is_risk_when_late]
    late = WorkOrder.objects.standing().filter(kind__in=kinds, window_to__lt=today)
    states = UnitState.objects.filter(Q(readiness__in=UNREADY) | Q(is_decaying=True))
    if branch_id:
        late = late.filter(site__branch_id=branch_id)
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    found: dict[int, dict[str, int]] = defaultdict(lambda: {"overdue": 0, "unready": 0, "decaying": 0})
    for site_id, count in late.values_list("site_id").annotate(count=Count("pk")).order_by():
        found[site_id]["overdue"] = count
    counted = states.values_list("treatment_unit__site_id").annotate(
        unready=Count("pk", filter=Q(readiness__in=UNREADY)), decaying=Count("pk", filter=Q(is_decaying=True))
    )
    for site_id, unready, decaying in counted.order_by():
        found[site_id] |= {"unready": unready, "decaying": decaying}
    return found


def late_carbon(*, today: date, branch_id: int | None) -> list[LateCarbon]:
    """Return membranes behind carbon whose likely date has passed, the dearest week first.

    A week costs the share of the membrane's tolerance of oxidants that is spent in it, times the chance
    that the carbon is past its limit, times what the membrane costs.
    """
    carbon = list(
        _states(branch_id)
        .filter(part__kind__role__in=CARBON_ROLES, likely_on__lte=today, early_on__isnull=False)
        .filter(late_on__isnull=False)
        .values_list("treatment_unit_id", "part__kind__name", "early_on", "likely_on", "late_on", "numbers")
        .order_by("likely_on", "pk")
    )  # fmt: skip
    if not carbon:
        return []
    membranes = {
        row[0]: row[1:]
        for row in _states(branch_id)
        .filter(part__kind__role=PartRole.MEMBRANE, treatment_unit_id__in=_units(branch_id, today))
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
                LateCarbon(
                    serial, site_code, site_name, carbon_name, membrane, likely, (today - likely).days,
                    chance, wear, price, weekly,
                )
            )  # fmt: skip
    return sorted(rows, key=lambda row: (-row.weekly, row.serial))


def _states(branch_id: int | None) -> QuerySet[PartState]:
    states = PartState.objects.filter(part__removed_at__isnull=True)
    return states.filter(treatment_unit__site__branch_id=branch_id) if branch_id else states


def _units(branch_id: int | None, today: date) -> QuerySet:
    """Return the treatment units with carbon past its likely date."""
    return (
        _states(branch_id)
        .filter(part__kind__role__in=CARBON_ROLES, likely_on__lte=today)
        .values("treatment_unit_id")
    )
