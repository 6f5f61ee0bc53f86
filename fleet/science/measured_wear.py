"""What gauges and tests say about parts: pressure drop, and ends that were measured."""

import numpy as np

from fleet.science.columns import Floats, Flushes, Ints, PartRole, Parts, PerformanceReadings, Units, positive
from fleet.science.curves import UseCurves, gallons_between
from fleet.science.found import UnitUse
from fleet.science.series import newest_time
from fleet.science.settings import WearSettings
from fleet.science.wear_basis import Basis, clear_flushes, has_role

_FEED_CARBONS = (PartRole.CARBON, PartRole.CATALYTIC_CARBON)


def newest_value(
    performance: PerformanceReadings, values: Floats, units: int, now_d: float
) -> tuple[Floats, Floats]:
    """
    Return each unit's newest known value of a performance column, and when it was read.

    Parameters
    ----------
    performance : PerformanceReadings
        Sorted by unit and time.
    values : array (readings,)
        One of its columns.
    units : int
        How many units there are.
    now_d : float
        Later readings are left out. [day]

    Returns
    -------
    tuple of array (units,), array (units,)
        Values and times, NaN where there is none.
    """
    rows = np.flatnonzero(np.isfinite(values) & (performance.read_at_d <= now_d))
    newest, at_d = np.full(units, np.nan), np.full(units, np.nan)
    newest[performance.unit_row[rows]] = values[rows]
    at_d[performance.unit_row[rows]] = performance.read_at_d[rows]
    return newest, at_d


def newest_leak(
    parts: Parts, performance: PerformanceReadings, units: int, now_d: float
) -> tuple[Floats, Floats]:
    """
    Return the newest chlorine test after the carbon in place, and its age.

    Parameters
    ----------
    parts : Parts
        For the newest carbon's date.
    performance : PerformanceReadings
        Tests.
    units : int
        How many units there are.
    now_d : float
        The moment of judgement. [day]

    Returns
    -------
    tuple of array (units,), array (units,)
        Free chlorine [mg/L] and age [day], NaN where there is no such test.
    """
    value, at_d = newest_value(performance, performance.chlorine_after_carbon_mg_l, units, now_d)
    carbon = has_role(parts, *_FEED_CARBONS)
    changed = newest_time(parts.unit_row[carbon], units, parts.installed_at_d[carbon])
    speaks = at_d >= changed
    return np.where(speaks, value, np.nan), np.where(speaks, now_d - at_d, np.nan)


def pressure_wear(
    units: Units,
    use: UnitUse,
    curves: UseCurves,
    parts: Parts,
    basis: Basis,
    performance: PerformanceReadings,
    now_d: float,
    rules: WearSettings,
) -> tuple[Floats, Floats]:
    """
    Return wear of sediment cartridges by pressure drop, and its growth per gallon.

    Parameters
    ----------
    units : Units
        For the running flow where it was not read.
    use : UnitUse
        Recovery.
    curves : UseCurves
        Gallons at each reading.
    parts : Parts
        The first sediment cartridge of each unit is the one the gauges stand around.
    basis : Basis
        Gallons seen until now.
    performance : PerformanceReadings
        Gauges before and behind.
    now_d : float
        Later readings are left out. [day]
    rules : WearSettings
        Error of the gauges, least water, how early a reading may stand for the clean drop.

    Returns
    -------
    tuple of array (parts,), array (parts,)
        Wear [-] and its growth [1/gal]; NaN without a clean and a terminal drop or a reading.

    Notes
    -----
    At one flow drop grows with volume as Δp = Δp0·exp(K·V): the rate of clogging doubles when the drop has
    doubled, so a straight line would be late. Wear is ln(Δp/Δp0)/ln(Δp_end/Δp0), straight in volume; its
    slope is the least-squares line through the origin. The clean drop is taken proportional to flow; where it
    was not noted, the first reading soon after the change is it. A rise within the error of the gauges, and
    one on few gallons, say nothing yet: drawn on from there, a new cartridge would look long clogged.

    Source
    ------
    Intermediate blocking of the filtration laws (Hermia 1982, value from memory); a cartridge maker's loading
    curves (a cartridge supplier's page): drop linear in flow, convex in load.
    """
    wear, slope = np.full(len(parts.part_id), np.nan), np.full(len(parts.part_id), np.nan)
    row = _first_of_role(parts, PartRole.SEDIMENT, len(units.unit_id))[performance.unit_row]
    drop = performance.sediment_inlet_psi - performance.sediment_outlet_psi
    usable = np.flatnonzero((row >= 0) & (drop > 0) & (performance.read_at_d <= now_d))
    row, drop, at_d = row[usable], drop[usable], performance.read_at_d[usable]
    since = at_d > parts.installed_at_d[row]
    usable, row, drop, at_d = usable[since], row[since], drop[since], at_d[since]
    unit = parts.unit_row[row]
    flow = performance.permeate_flow_gpm[usable] + performance.concentrate_flow_gpm[usable]
    flow = np.where(flow > 0, flow, units.design_permeate_gpm[unit] / use.recovery[unit])
    clean = positive(_clean_drop(parts, row, drop, flow, at_d, rules))
    room = positive(np.log(positive(parts.terminal_drop_psi[row] / clean)))
    share = np.maximum(np.log(positive(drop / clean)) / room, 0.0)
    seen = gallons_between(curves, unit, parts.water[row], parts.installed_at_d[row], at_d)
    good = np.isfinite(share) & (seen > 0)
    is_read = np.bincount(row[good], minlength=len(wear)) > 0
    good &= drop - clean >= rules.drop_error_psi
    good &= seen >= rules.drop_least_days * basis.gal_per_day[row]
    slope[is_read] = 0.0
    top = np.bincount(row[good], seen[good] * share[good], len(wear))
    bottom = np.bincount(row[good], seen[good] ** 2, len(wear))
    fitted = bottom > 0
    slope[fitted] = top[fitted] / bottom[fitted]
    return slope * basis.seen_gal, slope


def _clean_drop(
    parts: Parts, row: Ints, drop: Floats, flow: Floats, at_d: Floats, rules: WearSettings
) -> Floats:
    """Drop of the clean cartridge at the flow of each reading: as noted, else from its first reading."""
    scale = flow / positive(parts.clean_drop_flow_gpm[row])
    noted = parts.clean_drop_psi[row] * np.nan_to_num(scale, nan=1.0)
    parts_read, first = np.unique(row, return_index=True)
    at_first, flow_first = np.full(len(parts.part_id), np.nan), np.full(len(parts.part_id), np.nan)
    early = at_d[first] - parts.installed_at_d[parts_read] <= rules.clean_within_days
    at_first[parts_read[early]], flow_first[parts_read[early]] = drop[first[early]], flow[first[early]]
    seen = at_first[row] * flow / positive(flow_first[row])
    return np.where(np.isfinite(noted), noted, seen)


def _first_of_role(parts: Parts, role: PartRole, units: int) -> Ints:
    rows = has_role(parts, role)
    first = np.full(units, -1, dtype=np.int64)
    first[parts.unit_row[rows][::-1]] = rows[::-1]
    return first


def measured_end(
    parts: Parts,
    performance: PerformanceReadings,
    flushes: Flushes,
    units: int,
    now_d: float,
    rules: WearSettings,
) -> tuple[Floats, Floats]:
    """
    Return which parts were measured to be used up, and when.

    Parameters
    ----------
    parts : Parts
        Parts in place.
    performance : PerformanceReadings
        Tests and gauges.
    flushes : Flushes
        For fines that come back after two clear flushes.
    units : int
        How many units there are.
    now_d : float
        The moment of judgement. [day]
    rules : WearSettings
        Limits.

    Returns
    -------
    tuple of array (parts,), array (parts,)
        1 used up, 0 measured and good, NaN not measured; the day of the measurement.

    Notes
    -----
    Carbon: the newest chlorine test after carbon since installation above the limit, or fines seen later
    than its second clear flush. Sediment: the newest pressure drop at or above the terminal drop. The newest
    measurement stands, so a repeated test can lift a wrong one.
    """
    end, at_d = np.full(len(parts.part_id), np.nan), np.full(len(parts.part_id), np.nan)
    carbon = has_role(parts, *_FEED_CARBONS)
    chlorine = newest_value(performance, performance.chlorine_after_carbon_mg_l, units, now_d)
    _enter(end, at_d, parts, carbon, chlorine, np.full(len(carbon), rules.chlorine_after_carbon_limit_mg_l))
    first = _first_of_role(parts, PartRole.SEDIMENT, units)
    sediment = first[first >= 0]
    drop = performance.sediment_inlet_psi - performance.sediment_outlet_psi
    clogged = newest_value(performance, drop, units, now_d)
    below = np.nextafter(parts.terminal_drop_psi[sediment], -np.inf)
    _enter(end, at_d, parts, sediment, clogged, below)
    _enter_fines(end, at_d, parts, performance, flushes, now_d)
    return end, at_d


def _enter(
    end: Floats, at_d: Floats, parts: Parts, rows: Ints, newest: tuple[Floats, Floats], limit: Floats
) -> None:
    value, read_d = newest[0][parts.unit_row[rows]], newest[1][parts.unit_row[rows]]
    speaks = (read_d >= parts.installed_at_d[rows]) & np.isfinite(value) & np.isfinite(limit)
    end[rows[speaks]] = np.where(value > limit, 1.0, 0.0)[speaks]
    at_d[rows[speaks]] = read_d[speaks]


def _enter_fines(
    end: Floats, at_d: Floats, parts: Parts, performance: PerformanceReadings, flushes: Flushes, now_d: float
) -> None:
    carbon = has_role(parts, *_FEED_CARBONS)
    log = clear_flushes(parts, flushes, now_d)
    fines = performance.saw_fines & (performance.read_at_d <= now_d)
    count = int(parts.unit_row[-1]) + 1 if len(parts.unit_row) else 0
    count = max(count, int(performance.unit_row[-1]) + 1 if len(performance.unit_row) else 0)
    seen = newest_time(performance.unit_row[fines], count, performance.read_at_d[fines])
    again = (log.count[carbon] >= 2) & (seen[parts.unit_row[carbon]] > log.newest_d[carbon])
    rows = carbon[again]
    end[rows], at_d[rows] = 1.0, seen[parts.unit_row[rows]]
