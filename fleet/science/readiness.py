"""Whether a treatment unit may make water, and which flush it owes. Only a recorded flush clears a debt."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import (
    Flags,
    Floats,
    Flushes,
    FlushKind,
    Ints,
    OwedFlush,
    PartRole,
    Parts,
    PerformanceReadings,
    Readiness,
    Units,
)
from fleet.science.found import UnitReadiness, UnitUse
from fleet.science.series import newest_time
from fleet.science.settings import ReadinessSettings
from fleet.science.wear_basis import clear_flushes, flush_targets, newest_flush

_HOURS_PER_DAY = 24.0
ROUNDING_D = 1e-3 / 86_400
"""A flush recorded this very moment counts, however two clocks round it to days: a thousandth of a second."""
_ORDER = (
    OwedFlush.SANITISED,
    OwedFlush.CARBON_FINES,
    OwedFlush.BEDDED_OVERNIGHT,
    OwedFlush.MEMBRANE_STORAGE_SOLUTION,
    OwedFlush.SEEN_FINES,
    OwedFlush.IDLE,
)
"""When several are owed the first is named: what harms people first, then what harms the membrane."""


@dataclass
class _Owed:
    """Per unit: since when (infinity when not owed) and for which part row (-1 for the whole unit)."""

    since_d: Floats
    part: Ints


def flush_minutes(volume_gal: Floats, flow_gpm: Floats) -> Floats:
    """
    Return how long a flush takes.

    Parameters
    ----------
    volume_gal : array
        Water to drain. [gal]
    flow_gpm : array
        Flow to drain, above 0. [gpm]

    Returns
    -------
    array
        Volume over flow, NaN where flow is not above 0. [min]

    Source
    ------
    Common practice to agree with: 20 to 30 gal at 1 to 1.5 gpm take about 20 minutes.
    """
    flows = flow_gpm > 0
    return np.where(flows, volume_gal / np.where(flows, flow_gpm, 1.0), np.nan)


def assess_readiness(
    units: Units,
    use: UnitUse,
    parts: Parts,
    performance: PerformanceReadings,
    flushes: Flushes,
    now_d: float,
    rules: ReadinessSettings | None = None,
) -> UnitReadiness:
    """
    Return state and owed flush of every treatment unit.

    Parameters
    ----------
    units : Units
        Treatment units.
    use : UnitUse
        For stretches in which the meters stood.
    parts : Parts
        Parts in place.
    performance : PerformanceReadings
        For fines seen.
    flushes : Flushes
        Recorded flushes; a sanitising is a ``SANITISED`` row that did not run clear, its rinse one that did.
    now_d : float
        The moment of judgement. [day]
    rules : ReadinessSettings, optional
        The documented ones when not given.

    Returns
    -------
    UnitReadiness
        One row per unit.

    Notes
    -----
    A flush clears a debt only if it was recorded later than the debt began and ran clear:

    * CARBON_FINES: carbon or another part that needs it, until a flush of fines, for it or the whole unit.
    * BEDDED_OVERNIGHT: ``BED_STARTED`` and the night has passed, until ``BEDDED_OVERNIGHT`` or a flush of
      fines after the night. During the night the unit is BEDDING.
    * MEMBRANE_STORAGE_SOLUTION: a membrane that needs it, until a flush of that kind.
    * SEEN_FINES: seen after the newest carbon's installation, until a flush of fines.
    * SANITISED: until a SANITISED flush that ran clear.
    * IDLE: the meters stood beyond the limit, until an IDLE or SANITISED flush. While they stand the state is
      IDLE; water drawn since does not clear it.

    Out of service goes before bedding, bedding before a flush owed.
    """
    rules = rules or ReadinessSettings()
    count = len(units.unit_id)
    now_d = now_d + ROUNDING_D
    past = flushes.flushed_at_d <= now_d
    owed = {reason: _Owed(np.full(count, np.inf), np.full(count, -1, dtype=np.int64)) for reason in _ORDER}
    bedding = _carbon_debts(owed, parts, flushes, past, now_d, rules, count)
    _membrane_debt(owed[OwedFlush.MEMBRANE_STORAGE_SOLUTION], parts, flushes, past)
    _fines_debt(owed[OwedFlush.SEEN_FINES], parts, performance, flushes, now_d, count)
    _sanitised_debt(owed[OwedFlush.SANITISED], flushes, past, count)
    standing = _idle_debt(owed[OwedFlush.IDLE], units, use, flushes, past, count)
    reason, part, since = _first_owed(owed, count)
    is_owed = reason != OwedFlush.NONE
    bedded = np.isfinite(bedding.since_d)
    reason = np.where(bedded, int(OwedFlush.BEDDED_OVERNIGHT), reason)
    part = np.where(bedded, bedding.part, part)
    since = np.where(bedded, bedding.since_d, since)
    state = np.select(
        [units.is_out_of_service, bedded, is_owed & (reason == OwedFlush.IDLE) & standing, is_owed],
        [
            int(Readiness.OUT_OF_SERVICE),
            int(Readiness.BEDDING),
            int(Readiness.IDLE),
            int(Readiness.FLUSH_OWED),
        ],
        int(Readiness.IN_SERVICE),
    ).astype(np.int64)
    gal = _flush_gal(parts, reason, part, rules)
    return UnitReadiness(
        state=state,
        owed=reason,
        owed_part_row=np.where(reason == OwedFlush.NONE, -1, part),
        owed_since_d=np.where(np.isfinite(since), since, np.nan),
        flush_gal=gal,
        flush_minutes=flush_minutes(gal, np.full(count, rules.flush_gpm)),
    )


def _enter(owed: _Owed, unit: Ints, part: Ints, since_d: Floats) -> None:
    """Keep each unit's oldest debt, of its first part when equal."""
    order = np.lexsort((-part, -since_d, unit))
    unit, part, since_d = unit[order], part[order], since_d[order]
    earlier = since_d < owed.since_d[unit]
    owed.since_d[unit[earlier]] = since_d[earlier]
    owed.part[unit[earlier]] = part[earlier]


def _carbon_debts(
    owed: dict[OwedFlush, _Owed],
    parts: Parts,
    flushes: Flushes,
    past: Flags,
    now_d: float,
    rules: ReadinessSettings,
    count: int,
) -> _Owed:
    """Enter fines and second flushes; return who is bedding."""
    targets = flush_targets(parts, flushes)
    clear = clear_flushes(parts, flushes, now_d).newest_d
    second = (flushes.kind == FlushKind.BEDDED_OVERNIGHT) & flushes.ran_clear & past
    second_d = newest_flush(parts, flushes, targets, second).newest_d
    started = newest_flush(parts, flushes, targets, (flushes.kind == FlushKind.BED_STARTED) & past).newest_d
    night_over = started + rules.bedding_hours / _HOURS_PER_DAY
    needs = parts.needs_flush & (parts.role != PartRole.MEMBRANE) & (parts.installed_at_d <= now_d)
    open_bed = needs & np.isfinite(started) & (second_d <= started) & ~(clear >= night_over)
    in_night = open_bed & (now_d < night_over)
    fines = needs & ~np.isfinite(clear) & ~np.isfinite(started)
    for reason, flags, since in (
        (OwedFlush.CARBON_FINES, fines, parts.installed_at_d),
        (OwedFlush.BEDDED_OVERNIGHT, open_bed & ~in_night, night_over),
    ):
        rows = np.flatnonzero(flags)
        _enter(owed[reason], parts.unit_row[rows], rows, since[rows])
    bedding = _Owed(np.full(count, np.inf), np.full(count, -1, dtype=np.int64))
    rows = np.flatnonzero(in_night)
    _enter(bedding, parts.unit_row[rows], rows, started[rows])
    return bedding


def _membrane_debt(owed: _Owed, parts: Parts, flushes: Flushes, past: Flags) -> None:
    wanted = (flushes.kind == FlushKind.MEMBRANE_STORAGE_SOLUTION) & flushes.ran_clear & past
    purged = newest_flush(parts, flushes, flush_targets(parts, flushes), wanted).newest_d
    rows = np.flatnonzero(parts.needs_flush & (parts.role == PartRole.MEMBRANE) & ~np.isfinite(purged))
    _enter(owed, parts.unit_row[rows], rows, parts.installed_at_d[rows])


def _fines_debt(
    owed: _Owed, parts: Parts, performance: PerformanceReadings, flushes: Flushes, now_d: float, count: int
) -> None:
    fines = performance.saw_fines & (performance.read_at_d <= now_d)
    seen = newest_time(performance.unit_row[fines], count, performance.read_at_d[fines])
    carbon = np.flatnonzero(
        np.isin(parts.role, [int(PartRole.CARBON), int(PartRole.CATALYTIC_CARBON), int(PartRole.POST_CARBON)])
    )
    clear = clear_flushes(parts, flushes, now_d).newest_d[carbon]
    unit = parts.unit_row[carbon]
    open_ = (seen[unit] >= parts.installed_at_d[carbon]) & (seen[unit] > clear)
    _enter(owed, unit[open_], carbon[open_], seen[unit[open_]])


def _newest_of_unit(flushes: Flushes, wanted: Flags, count: int) -> Floats:
    return newest_time(flushes.unit_row[wanted], count, flushes.flushed_at_d[wanted])


def _sanitised_debt(owed: _Owed, flushes: Flushes, past: Flags, count: int) -> None:
    kind = (flushes.kind == FlushKind.SANITISED) & past
    began = _newest_of_unit(flushes, kind & ~flushes.ran_clear, count)
    rinsed = _newest_of_unit(flushes, kind & flushes.ran_clear, count)
    open_ = np.isfinite(began) & (rinsed < began)
    owed.since_d[open_] = began[open_]


def _idle_debt(owed: _Owed, units: Units, use: UnitUse, flushes: Flushes, past: Flags, count: int) -> Flags:
    """Enter idle units; return which stood still at their last reading."""
    kinds = (flushes.kind == FlushKind.IDLE) | (flushes.kind == FlushKind.SANITISED)
    flushed = _newest_of_unit(flushes, kinds & flushes.ran_clear & past, count)
    due = np.maximum(use.still_from_d, flushed) + units.idle_limit_days
    still_now = np.isfinite(use.still_to_d) & (use.still_to_d >= use.last_read_at_d)
    open_ = np.isfinite(use.still_to_d) & (due < use.still_to_d)
    owed.since_d[open_] = due[open_]
    return still_now


def _first_owed(owed: dict[OwedFlush, _Owed], count: int) -> tuple[Ints, Ints, Floats]:
    reason = np.full(count, int(OwedFlush.NONE), dtype=np.int64)
    part = np.full(count, -1, dtype=np.int64)
    since = np.full(count, np.inf)
    for name in reversed(_ORDER):
        here = np.isfinite(owed[name].since_d)
        reason[here] = int(name)
        part[here] = owed[name].part[here]
        since[here] = owed[name].since_d[here]
    return reason, part, since


def _flush_gal(parts: Parts, reason: Ints, part: Ints, rules: ReadinessSettings) -> Floats:
    usual = np.select(
        [
            reason == OwedFlush.NONE,
            reason == OwedFlush.MEMBRANE_STORAGE_SOLUTION,
            (reason == OwedFlush.IDLE) | (reason == OwedFlush.SANITISED),
        ],
        [np.nan, rules.membrane_flush_gal, rules.idle_flush_gal],
        rules.carbon_flush_gal,
    )
    known = np.append(parts.flush_gal, np.nan)[part]
    return np.where((known > 0) & (reason != OwedFlush.NONE), known, usual)
