"""Whether a register total deserves a question before it is kept: it falls, or leaps beyond what is usual.

A question, not a refusal: whoever read the register may keep it and say why.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fleet.models import MeterWater, UnitState
from fleet.readings.meters import Mark, MeterFacts, goes_on, shown_total
from fleet.readings.rows import arrays
from shared.measures import Measure, gal_per
from shared.messages import joined, message

TIMES_USUAL: Final = 3.0
"""More than so many times the usual use is a leap, at a desk and on the phone. Our choice."""
SLACK_GAL: Final = 50.0
"""Permeate on top of it, so that a site that uses little may flush or fill a tank. Ours. [gal]"""
IF_LAST_IS_WRONG: Final = message("If the last one is wrong, correct that one first.")
_SECONDS_A_DAY: Final = 86_400
_VOLUMES: Final = (Measure.GALLON, Measure.LITRE, Measure.CUBIC_METRE, Measure.CUBIC_FOOT)


@dataclass(frozen=True)
class Doubt:
    """What is odd about a total, and what usually is behind it."""

    what: str
    remedy: str


def share_of_permeate(water: str, recovery: float) -> float:
    """Return a meter's gallons for each gallon of permeate."""
    return {
        MeterWater.FEED: 1 / recovery, MeterWater.CONCENTRATE: 1 / recovery - 1,
    }.get(MeterWater(water), 1.0)  # fmt: skip


def usual_by_meter(meters: Iterable[MeterFacts]) -> dict[int, float]:
    """Return what usually flows past each meter, where its unit has been assessed. [gal/day]"""
    by_unit: dict[int, list[MeterFacts]] = {}
    for meter in meters:
        by_unit.setdefault(meter.unit_id, []).append(meter)
    found = {}
    for part in arrays(sorted(by_unit)):
        states = UnitState.objects.filter(treatment_unit__pk__any_of=part)
        rows = states.values_list("treatment_unit_id", "permeate_gal_per_day", "recovery")
        for unit_id, use, recovery in rows:
            for meter in by_unit[unit_id] if use is not None else ():
                share = share_of_permeate(meter.water, recovery or meter.design_recovery)
                found[meter.meter_id] = use * share
    return found


def usual_rise_gal(usual_gal_per_day: float, share: float, days: float) -> float:
    """Return the most a meter rises without a question. ``share``: gallons for each of permeate. [gal]"""
    return TIMES_USUAL * usual_gal_per_day * days + SLACK_GAL * share


def top_gal(meter: MeterFacts, before: Mark, at: datetime, usual_gal_per_day: float | None) -> float:
    """Return the highest total that nobody would wonder at. [gal]"""
    days = max((at - before.at).total_seconds() / _SECONDS_A_DAY, 0.0)
    most = max(days, 1.0) * meter.most_gal_per_day
    if usual_gal_per_day is None:
        return before.gal + most
    share = share_of_permeate(meter.water, meter.design_recovery)
    return before.gal + min(most, usual_rise_gal(usual_gal_per_day, share, days))


def doubt(
    meter: MeterFacts, mark: Mark, before: Mark | None, after: Mark | None, usual_gal_per_day: float | None
) -> Doubt | None:
    """
    Return what is odd about a total, None where nothing is.

    Parameters
    ----------
    meter : MeterFacts
    mark : Mark
        The total in question.
    before, after : Mark, optional
        The totals that stand next to it.
    usual_gal_per_day : float, optional
        What usually flows past the meter; without it only what can't flow at all is odd.
    """
    if before is not None and not goes_on(meter, before, mark):
        return Doubt(
            message(
                "{total} is below the last, {last} on {at:%d %b %Y}.",
                total=shown_total(meter, mark), last=shown_total(meter, before), at=before.at,
            ),
            joined(" ", (_remedy(meter, mark, before, usual_gal_per_day), IF_LAST_IS_WRONG)),
        )  # fmt: skip
    if after is not None and not goes_on(meter, mark, after):
        return Doubt(
            message(
                "{total} is above a later one, {later} on {at:%d %b %Y}.",
                total=shown_total(meter, mark), later=shown_total(meter, after), at=after.at,
            ),
            message("Check the total and the date. If the later one is wrong, correct that one."),
        )  # fmt: skip
    if before is None or mark.gal <= top_gal(meter, before, mark.at, usual_gal_per_day):
        return None
    days = max((mark.at - before.at).total_seconds() / _SECONDS_A_DAY, 0.0)
    return Doubt(
        message(
            "{total} leaps: {rise} more than on {at:%d %b %Y}, where {usual} was to be expected.",
            total=shown_total(meter, mark), rise=_shown_gal(meter, mark.gal - before.gal), at=before.at,
            usual=_shown_gal(meter, days * (usual_gal_per_day or 0.0))
            if usual_gal_per_day is not None
            else message("at most {most}", most=_shown_gal(meter, max(days, 1.0) * meter.most_gal_per_day)),
        ),
        _remedy(meter, mark, before, usual_gal_per_day),
    )  # fmt: skip


def doubts(
    meters: Mapping[int, MeterFacts],
    lines: Mapping[int, list[Mark]],
) -> dict[int, Doubt]:
    """Return the doubts about new totals, by their place in the batch.

    ``lines``: standing totals (place -1) and new ones of each meter, any order. A new total is held against
    the last one before it that was in no doubt, so that one slip doesn't throw doubt on all that follow.
    """
    usual, found = usual_by_meter(meters[meter_id] for meter_id in lines), {}
    for meter_id, marks in lines.items():
        ordered = sorted(marks, key=lambda mark: (mark.at, mark.index))
        afters, before, after = [], None, None
        for mark in reversed(ordered):
            afters.append(after)
            after = mark if mark.index < 0 else after
        for mark, after in zip(ordered, reversed(afters), strict=True):
            if mark.index >= 0:
                odd = doubt(meters[meter_id], mark, before, after, usual.get(meter_id))
                if odd:
                    found[mark.index] = odd
                    if not mark.is_accepted:
                        continue
            before = mark
    return found


def _remedy(meter: MeterFacts, mark: Mark, before: Mark, usual_gal_per_day: float | None) -> str:
    """Say which slip would explain the total; else what else is behind such totals."""
    fits = lambda gal: before.gal <= gal <= top_gal(meter, before, mark.at, usual_gal_per_day)  # noqa: E731
    for factor, slip in (
        (0.1, message("a digit too many, or a decimal read along")),
        (10.0, message("a digit left out")),
        (1000.0, message("thousands")),
    ):
        if fits(mark.gal * factor):
            right = shown_total(meter, Mark(mark.at, mark.gal * factor, -1))
            return message("{total} would fit: {slip}. Check the digits.", total=right, slip=slip)
    for measure in _VOLUMES:
        gal = mark.gal / meter.gal_per_count * gal_per(measure)
        if measure.value != meter.measure and fits(gal):
            return message(
                "It would fit in {measure}; this meter counts in {own}. Check the units of measure.",
                measure=measure.value, own=meter.measure,
            )  # fmt: skip
    return message("Was the meter swapped, or is it another meter or unit of measure?")


def _shown_gal(meter: MeterFacts, gal: float) -> str:
    return f"{gal / meter.gal_per_count:,.0f} {meter.measure}"
