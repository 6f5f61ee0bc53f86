"""What follows from a correction, told before it is kept: the same acts, done and rolled back."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.db.models import Sum
from django.utils.translation import gettext

from fleet.display.figures import show
from fleet.models import Finding, PartState, UnitState
from scheduling.models import RevenueEntry, WorkOrder
from scheduling.orders.again import AT_ONCE, assess_and_raise
from shared.periods import local_day
from shared.translation import translate, written

YEAR: Final = timedelta(days=365)


@dataclass(frozen=True)
class Consequence:
    """One thing that is otherwise afterwards. Empty: it was not there, or is not any more."""

    what: str
    before: str
    after: str


@dataclass(frozen=True)
class Foreseen:
    """What would follow."""

    changes: list[Consequence]
    units: int
    is_cut: bool
    """More treatment units are touched than were looked at; the rest follows within minutes."""


def foresee(
    act: Callable[[], object], unit_ids: list[int], *, now: datetime, system: str, with_money: bool
) -> Foreseen:
    """
    Do an act, look at what it changes, and take all of it back.

    Treatment units are assessed before, too, so that only what follows from the act itself is told.
    Raises whatever the act raises.
    """
    looked = unit_ids[:AT_ONCE]
    with transaction.atomic():
        if looked:
            assess_and_raise(looked, now)
        before = picture(looked, now=now, system=system, with_money=with_money)
        act()
        if looked:
            assess_and_raise(looked, now, anew=True)
        after = picture(looked, now=now, system=system, with_money=with_money)
        transaction.set_rollback(True)
    changes = [
        Consequence(what, before.get(what, ""), after.get(what, ""))
        for what in dict.fromkeys([*before, *after])
        if before.get(what, "") != after.get(what, "")
    ]
    return Foreseen(changes, len(unit_ids), len(looked) < len(unit_ids))


def picture(unit_ids: list[int], *, now: datetime, system: str, with_money: bool) -> dict[str, str]:
    """Return states, findings, work and money of treatment units, each in a few words under its name."""
    told: dict[str, str] = {}
    states = UnitState.objects.filter(treatment_unit__in=unit_ids).select_related("treatment_unit__site")
    for state in states.order_by("treatment_unit__serial"):
        serial = state.treatment_unit.serial
        told[gettext("%(serial)s: readiness") % {"serial": serial}] = str(state.get_readiness_display())
        told[gettext("%(serial)s: use") % {"serial": serial}] = _use(state.permeate_gal_per_day, system)
        told[gettext("%(serial)s: membrane") % {"serial": serial}] = str(
            state.get_pattern_display() if state.is_decaying else gettext("no decay")
        )
    parts = PartState.objects.filter(treatment_unit__in=unit_ids, part__removed_at=None)
    for state in parts.select_related("part__position", "part__kind", "treatment_unit").order_by("part_id"):
        name = {"serial": state.treatment_unit.serial, "code": state.part.position.code}
        told[gettext("%(serial)s, %(code)s: due") % name] = _day(state.likely_on)
        told[gettext("%(serial)s, %(code)s: used") % name] = f"{state.wear:.0%}"
    findings = Finding.objects.filter(treatment_unit__in=unit_ids, gone_at=None)
    for found in findings.select_related("part__position").order_by("kind", "cause_key"):
        place = f", {found.part.position.code}" if found.part_id else ""
        name = gettext("Finding: %(kind)s") % {"kind": found.get_kind_display()} + place
        told[_apart(told, name)] = str(translate(found.why))
    orders = WorkOrder.objects.open().filter(treatment_unit__in=unit_ids).select_related("part__position")
    for order in orders.order_by("cause_key"):
        place = f", {order.part.position.code}" if order.part_id else ""
        name = gettext("Work order: %(kind)s") % {"kind": order.get_kind_display()} + place
        told[_apart(told, name)] = f"{_day(order.window_from)} – {_day(order.window_to)}"
    if with_money:
        told |= _money(unit_ids, now)
    return told


def _apart(told: dict[str, str], name: str) -> str:
    """Number what has the same name as another."""
    names = (name if count == 1 else f"{name} {count}" for count in range(1, 1000))
    return next(one for one in names if one not in told)


def _money(unit_ids: list[int], now: datetime) -> dict[str, str]:
    earned = RevenueEntry.objects.filter(treatment_unit__in=unit_ids).aggregate(sum=Sum("amount"))["sum"]
    likely = PartState.objects.filter(
        treatment_unit__in=unit_ids, part__removed_at=None, likely_on__lte=local_day(now, "UTC") + YEAR
    ).aggregate(sum=Sum("part__kind__price"))["sum"]
    return {
        gettext("Money earned at these units so far"): f"{earned or Decimal(0):,.2f}",
        gettext("Price of parts likely due within a year"): f"{likely or Decimal(0):,.2f}",
    }


def _use(gal_per_day: float | None, system: str) -> str:
    if gal_per_day is None:
        return ""
    return str(show(gal_per_day, "gal_per_day", system))


def _day(day) -> str:
    return f"{day.day} {written(day, '%b %Y')}" if day else "–"
