"""The eight limits of a part's life, each an integral over its time in place, and the dates they give."""

from dataclasses import dataclass, replace

import numpy as np

from fleet.science.carbon import ChainFindings, follow_oxidant
from fleet.science.columns import (
    Flags,
    Floats,
    Flushes,
    Ints,
    Limit,
    PartRole,
    Parts,
    PerformanceReadings,
    Units,
    positive,
)
from fleet.science.curves import UseCurves
from fleet.science.due_dates import due_window
from fleet.science.feed_water import CHLORAMINE, HARDNESS, FeedHistory, value_now
from fleet.science.found import PartLife, UnitUse
from fleet.science.measured_wear import measured_end, newest_leak, pressure_wear
from fleet.science.membranes import MembraneVerdicts
from fleet.science.season import SeasonClock
from fleet.science.settings import WearSettings
from fleet.science.wear_basis import Basis, has_role, measure_basis
from shared.measures import MG_L_PER_GRAIN_PER_GAL

_DRIVEN = [
    Limit.VOLUME,
    Limit.CHLORINE_DOSE,
    Limit.HARDNESS_LOAD,
    Limit.OXIDANT_EXPOSURE,
    Limit.PRESSURE_DROP,
]
"""Limits that grow with use; their dates share one distribution."""
_OF_LEARNED_LIFE = [Limit.VOLUME, Limit.CHLORINE_DOSE, Limit.HARDNESS_LOAD]
"""Limits reckoned in gallons of the learned life, where there is one."""


@dataclass(frozen=True)
class _Limits:
    """Wear and its growth by limit, (parts, 8), and what dates need beyond."""

    wear: Floats
    per_day: Floats
    hardness_d: Floats
    """Day on which the calendar half of the hardness load is reached."""
    hardness_use_days: Floats
    """Days of average use its other half has left."""
    ended_d: Floats


def assess_life(
    units: Units,
    use: UnitUse,
    curves: UseCurves,
    history: FeedHistory,
    parts: Parts,
    performance: PerformanceReadings,
    flushes: Flushes,
    verdicts: MembraneVerdicts,
    now_d: float,
    rules: WearSettings | None = None,
    season: SeasonClock | None = None,
) -> PartLife:
    """
    Return wear and due dates of every part in place.

    Parameters
    ----------
    units : Units
        Treatment units.
    use : UnitUse
        From ``compute_use``.
    curves : UseCurves
        From ``compute_use``.
    history : FeedHistory
        From ``feed_history``.
    parts : Parts
        Parts in place.
    performance : PerformanceReadings
        Gauges and tests.
    flushes : Flushes
        Recorded flushes.
    verdicts : MembraneVerdicts
        What is measured of each unit's membrane.
    now_d : float
        The moment of judgement. [day]
    rules : WearSettings, optional
        The documented ones when not given.
    season : SeasonClock, optional
        Flat when not given.

    Returns
    -------
    PartLife
        One row per part. ``governing`` is -1 and the dates NaN where no limit applies.

    Notes
    -----
    * VOLUME: gallons seen / rated gallons (learned life where known, unless its chlorine dose is, too).
    * CALENDAR: days in place, with shelf time beyond shelf life, / rated months.
    * CHLORINE_DOSE, OXIDANT_EXPOSURE: see ``carbon_chain``.
    * HARDNESS_LOAD: softening: gallons × hardness / 17.118 over its capacity in grains; membrane and
      anti-scale: gallons and months above, weighted with hardness × concentration relative to the hardness
      of the rating at design recovery; the larger one.
    * PRESSURE_DROP, MEASURED_END: see ``measured_wear``.
    * PERFORMANCE: see ``membranes``.

    The part is worn as far as the largest, and due when the earliest is reached. A membrane that is measured
    has PERFORMANCE alone: its wear, and the date of its trend; the others explain and ask for a look.
    """
    rules, season = rules or WearSettings(), season or SeasonClock()
    count = len(units.unit_id)
    basis = measure_basis(units, use, curves, history, parts, now_d)
    tested, tested_ago = newest_leak(parts, performance, count, now_d)
    recent = np.where(tested_ago <= rules.measured_leak_lasts_days, tested, np.nan)
    permeate_gpm = units.design_permeate_gpm[parts.unit_row]
    chain = follow_oxidant(parts, basis, history, permeate_gpm, recent, tested, tested_ago, rules)
    wear, per_day = (
        np.full((len(parts.part_id), len(Limit)), np.nan),
        np.full((len(parts.part_id), len(Limit)), np.nan),
    )
    _volume_and_calendar(wear, per_day, basis)
    wear[:, Limit.CHLORINE_DOSE], per_day[:, Limit.CHLORINE_DOSE] = chain.dose_wear, chain.dose_wear_per_day
    wear[:, Limit.OXIDANT_EXPOSURE] = chain.exposure_wear
    per_day[:, Limit.OXIDANT_EXPOSURE] = chain.exposure_wear_per_day
    # A learned life in gallons is of the rating's chlorine; where the dose is known, that says it of ours.
    wear[np.isfinite(parts.learned_life_gal) & np.isfinite(chain.dose_wear), Limit.VOLUME] = np.nan
    hardness_d, hardness_use_days = _hardness(wear, per_day, units, history, parts, basis, now_d, rules)
    drop, per_gal = pressure_wear(units, use, curves, parts, basis, performance, now_d, rules)
    wear[:, Limit.PRESSURE_DROP], per_day[:, Limit.PRESSURE_DROP] = drop, per_gal * basis.gal_per_day
    wear[:, Limit.MEASURED_END], ended_d = measured_end(parts, performance, flushes, count, now_d, rules)
    measured = _measured(wear, per_day, parts, verdicts)
    unknown = ~np.isfinite(parts.installed_at_d)
    wear[unknown], per_day[unknown] = np.nan, np.nan
    limits = _Limits(wear, per_day, hardness_d, hardness_use_days, ended_d)
    life = _part_life(limits, use, parts, basis, chain, now_d, rules, season)
    life = replace(life, contact_is_short=_contact_is_short(parts, history, chain, tested, rules))
    return _by_measurement(life, parts, verdicts, measured & ~unknown)


def _contact_is_short(
    parts: Parts, history: FeedHistory, chain: ChainFindings, tested: Floats, rules: WearSettings
) -> Flags:
    """Say through which beds even fresh carbon lets too much; a test that shows less beats the law.

    A test of free chlorine shows nothing of chloramine, so there it proves nothing.
    """
    limit = rules.chlorine_after_carbon_limit_mg_l
    chloramine = np.nan_to_num(value_now(history, CHLORAMINE))
    is_disproved = ((tested <= limit) & (chloramine <= limit))[parts.unit_row]
    return (chain.fresh_leak_mg_l > limit) & ~is_disproved & np.isfinite(parts.bed_volume_ft3)


def _measured(wear: Floats, per_day: Floats, parts: Parts, verdicts: MembraneVerdicts) -> Flags:
    """Enter what is measured of membranes; return which parts it governs."""
    rows = has_role(parts, PartRole.MEMBRANE)
    unit = parts.unit_row[rows]
    wear[rows, Limit.PERFORMANCE] = verdicts.wear[unit]
    per_day[rows, Limit.PERFORMANCE] = verdicts.wear_per_day[unit]
    governs = np.zeros(len(wear), dtype=bool)
    governs[rows] = (verdicts.is_well | verdicts.is_failing)[unit]
    return governs


def _by_measurement(life: PartLife, parts: Parts, verdicts: MembraneVerdicts, measured: Flags) -> PartLife:
    """Let measured performance stand in for what the other limits of those parts say."""
    unit = parts.unit_row
    due = life.due_d_by_limit.copy()
    due[:, Limit.PERFORMANCE] = np.where(measured, verdicts.likely_d[unit], np.nan)
    dates = [
        np.where(measured, np.maximum(day[unit], parts.installed_at_d), old)
        for day, old in (
            (verdicts.early_d, life.early_d),
            (verdicts.likely_d, life.likely_d),
            (verdicts.late_d, life.late_d),
        )
    ]
    is_well = measured & verdicts.is_well[unit]
    return replace(
        life,
        wear=np.where(measured, life.wear_by_limit[:, Limit.PERFORMANCE], life.wear),
        governing=np.where(measured, Limit.PERFORMANCE, life.governing).astype(np.int64),
        early_d=dates[0],
        likely_d=dates[1],
        late_d=dates[2],
        due_d_by_limit=due,
        is_measured_well=is_well,
        check_d=np.where(is_well, life.likely_d, np.nan),
    )


def _volume_and_calendar(wear: Floats, per_day: Floats, basis: Basis) -> None:
    wear[:, Limit.VOLUME] = basis.seen_gal / basis.rated_gal
    per_day[:, Limit.VOLUME] = basis.gal_per_day / basis.rated_gal
    wear[:, Limit.CALENDAR] = basis.days_in_place / basis.rated_days
    per_day[:, Limit.CALENDAR] = 1 / basis.rated_days


def _hardness(
    wear: Floats,
    per_day: Floats,
    units: Units,
    history: FeedHistory,
    parts: Parts,
    basis: Basis,
    now_d: float,
    rules: WearSettings,
) -> tuple[Floats, Floats]:
    """Enter the hardness load; return the day its calendar half ends and days of use the other has left."""
    now = value_now(history, HARDNESS)[parts.unit_row]
    by_date = np.full(len(parts.part_id), np.nan)
    soft = has_role(parts, PartRole.SOFTENING)
    grains = positive(parts.hardness_capacity_grains[soft]) * MG_L_PER_GRAIN_PER_GAL
    wear[soft, Limit.HARDNESS_LOAD] = basis.carried.hardness[soft] / grains
    per_day[soft, Limit.HARDNESS_LOAD] = now[soft] * basis.feed_per_day[soft] / grains
    by_use = (1 - wear[:, Limit.HARDNESS_LOAD]) / positive(per_day[:, Limit.HARDNESS_LOAD])
    rows = has_role(parts, PartRole.MEMBRANE, PartRole.ANTISCALE)
    design = units.design_recovery[parts.unit_row[rows]]
    design = np.where((design > 0) & (design < 1), design, basis.recovery[rows])
    heavier = (1 - design) / (1 - basis.recovery[rows]) / positive(parts.rated_hardness_mg_l[rows])
    heavier = heavier * _after_softening(wear, soft, parts, len(units.unit_id), rules)[parts.unit_row[rows]]
    by_gal = heavier * basis.carried.hardness[rows] * basis.own_per_feed[rows] / basis.rated_gal[rows]
    by_day = heavier * basis.carried.hardness_days[rows] / basis.rated_days[rows]
    grow = heavier * now[rows]
    wear[rows, Limit.HARDNESS_LOAD] = np.fmax(by_gal, by_day)
    day_rate = grow / basis.rated_days[rows]
    by_date[rows] = now_d + (1 - by_day) / positive(day_rate)
    gal_rate = grow * basis.gal_per_day[rows] / basis.rated_gal[rows]
    by_use[rows] = (1 - by_gal) / positive(gal_rate)
    per_day[rows, Limit.HARDNESS_LOAD] = np.where(
        by_day > np.nan_to_num(by_gal, nan=-1.0), day_rate, gal_rate
    )
    return by_date, by_use


def _after_softening(wear: Floats, soft: Ints, parts: Parts, units: int, rules: WearSettings) -> Floats:
    """Share of hardness that passes the softening cartridge, mean over its time; 1 without one."""
    share = np.ones(units)
    load = wear[soft, Limit.HARDNESS_LOAD]
    overrun = np.where(load > 1, 1 - 1 / np.where(load > 1, load, 1.0), 0.0)
    share[parts.unit_row[soft]] = np.maximum(overrun, rules.softened_share)
    return share


def _part_life(
    limits: _Limits,
    use: UnitUse,
    parts: Parts,
    basis: Basis,
    chain: ChainFindings,
    now_d: float,
    rules: WearSettings,
    season: SeasonClock,
) -> PartLife:
    wear, per_day, hardness_d = limits.wear, limits.per_day, limits.hardness_d
    latest = now_d + rules.horizon_days
    worked_now = season.worked_days(np.full(len(wear), now_d))
    days_left = (1 - wear) / positive(per_day)
    days_left[:, Limit.HARDNESS_LOAD] = limits.hardness_use_days
    due = np.full(wear.shape, np.nan)
    for limit in _DRIVEN:
        due[:, limit] = season.day_of(worked_now + days_left[:, limit])
    due[:, Limit.HARDNESS_LOAD] = np.fmin(due[:, Limit.HARDNESS_LOAD], hardness_d)
    due[:, Limit.CALENDAR] = now_d + days_left[:, Limit.CALENDAR]
    due[:, Limit.MEASURED_END] = np.where(wear[:, Limit.MEASURED_END] >= 1, limits.ended_d, np.nan)
    due = np.maximum(np.minimum(due, latest), parts.installed_at_d[:, None])
    since, driven, nearest = _driven(use, parts, days_left, worked_now, now_d, season)
    cap = np.fmin(np.fmin(due[:, Limit.CALENDAR], hardness_d), due[:, Limit.MEASURED_END])
    row = parts.unit_row
    rate = positive(use.permeate_gal_per_day[row])
    window = due_window(
        since,
        driven,
        use.spread_gal_per_sqrt_day[row] / rate,
        _drift_error(use, row, rate, driven),
        cap,
        season,
        _learned_days(parts, per_day, nearest),
        parts.learned_life_shape,
    )
    early, likely, late = (
        np.maximum(np.minimum(day, latest), parts.installed_at_d)
        for day in (window.early_d, window.likely_d, window.late_d)
    )
    return PartLife(
        wear=_largest(wear[:, : Limit.PERFORMANCE]),
        wear_by_limit=wear,
        wear_per_day_by_limit=per_day,
        governing=_earliest(due),
        early_d=early,
        likely_d=likely,
        late_d=late,
        due_d_by_limit=due,
        seen_gal=basis.seen_gal,
        mean_chlorine_mg_l=_mean_chlorine(basis, chain),
        mean_hardness_mg_l=basis.carried.hardness / positive(basis.carried.feed_gal),
        chlorine_leak_mg_l=chain.leak_mg_l,
        ebct_min=chain.ebct_min,
        membrane_life_lost_per_week=chain.life_lost_per_week,
        fresh_leak_mg_l=chain.fresh_leak_mg_l,
        end_share=chain.end_share,
        is_tested=chain.is_tested,
        contact_is_short=np.zeros(len(wear), dtype=bool),
        is_measured_well=np.zeros(len(wear), dtype=bool),
        check_d=np.full(len(wear), np.nan),
    )


def _drift_error(use: UnitUse, row: Ints, rate: Floats, days: Floats) -> Floats:
    """How unsure the mean use over the days to come is, relative: q²t/3 for a rate on a random walk."""
    return np.hypot(
        use.drift_sd_gal_per_day[row] / rate,
        use.wander_per_sqrt_day[row] * np.sqrt(np.fmax(days, 0.0) / 3),
    )


def _driven(
    use: UnitUse, parts: Parts, days_left: Floats, worked_now: Floats, now_d: float, season: SeasonClock
) -> tuple[Floats, Floats, Ints]:
    """Since when use is uncertain, days of average use from there to the nearest driven limit, and which."""
    read = use.last_read_at_d[parts.unit_row]
    metered = ~use.is_design_duty[parts.unit_row] & np.isfinite(read)
    installed = np.minimum(parts.installed_at_d, now_d)
    since = np.where(metered, np.maximum(read, installed), installed)
    left = np.where(np.isfinite(days_left[:, _DRIVEN]), days_left[:, _DRIVEN], np.inf)
    place = left.argmin(axis=1)
    nearest = left[np.arange(len(since)), place]
    nearest = np.where(np.isfinite(nearest), nearest, np.nan)
    return since, nearest + worked_now - season.worked_days(since), np.array(_DRIVEN, dtype=np.int64)[place]


def _learned_days(parts: Parts, per_day: Floats, nearest: Ints) -> Floats:
    """Days of average use in the learned life, NaN where the nearest limit does not rest on one."""
    rate = positive(per_day[np.arange(len(nearest)), nearest])
    rests = np.isfinite(parts.learned_life_gal) & np.isin(nearest, _OF_LEARNED_LIFE)
    # Softening counts grains of its own rating, not gallons of a life.
    rests &= ~((parts.role == PartRole.SOFTENING) & (nearest == Limit.HARDNESS_LOAD))
    return np.where(rests, 1 / rate, np.nan)


def _largest(wear: Floats) -> Floats:
    known: Flags = np.isfinite(wear)
    top = np.where(known, wear, -np.inf).max(axis=1, initial=-np.inf)
    return np.where(np.isfinite(top), top, np.nan)


def _earliest(due: Floats) -> Ints:
    day = np.where(np.isfinite(due), due, np.inf)
    return np.where(np.isfinite(day).any(axis=1), day.argmin(axis=1), -1).astype(np.int64)


def _mean_chlorine(basis: Basis, chain: ChainFindings) -> Floats:
    raw = basis.carried.free_chlorine / positive(basis.carried.feed_gal)
    return np.where(np.isfinite(chain.oxidant_mg_l), chain.oxidant_mg_l, raw)
