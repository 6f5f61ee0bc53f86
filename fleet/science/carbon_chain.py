"""Oxidant on its way through carbon after carbon to the membrane, past and present."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, MembraneType, PartRole, Parts
from fleet.science.feed_water import CHLORAMINE, FREE_CHLORINE, FeedHistory, value_now
from fleet.science.leak import contact_time_min, fresh_halvings, leak_share, mean_leak, membrane_life_lost
from fleet.science.settings import WearSettings
from fleet.science.wear_basis import CARBONS, Basis, has_role, positive, running_hours_per_feed_gal

_CARBON_CODES = [int(role) for role in CARBONS]


@dataclass(frozen=True)
class ChainFindings:
    """One row per part; NaN for parts that are neither carbon nor membrane."""

    dose_wear: Floats
    dose_wear_per_day: Floats
    exposure_wear: Floats
    exposure_wear_per_day: Floats
    oxidant_mg_l: Floats
    """Volume-weighted oxidant that reached the part, as free chlorine. [mg/L]"""
    leak_mg_l: Floats
    """Free chlorine that reaches a membrane now. [mg/L]"""
    ebct_min: Floats
    life_lost_per_week: Floats


@dataclass
class _Stream:
    """What flows on: sums since each consumer's installation (units, places), and values now (units,)."""

    free: Floats
    chloramine: Floats
    free_now: Floats
    chloramine_now: Floats
    free_ahead: Floats
    """Mean free chlorine to expect if carbon is changed when due."""
    fresh_now: Floats
    """Free chlorine as it would be were every carbon fresh."""


def follow_oxidant(
    parts: Parts,
    basis: Basis,
    history: FeedHistory,
    permeate_gpm: Floats,
    measured_leak_mg_l: Floats,
    rules: WearSettings,
) -> ChainFindings:
    """
    Follow free chlorine and chloramine from the feed to the membrane.

    Parameters
    ----------
    parts : Parts
        Parts in place, sorted by unit and position.
    basis : Basis
        What each part has seen.
    history : FeedHistory
        For the water now.
    permeate_gpm : array (parts,)
        Design permeate flow of the part's unit. [gpm]
    measured_leak_mg_l : array (units,)
        Recent chlorine test after carbon, NaN where there is none. [mg/L]
    rules : WearSettings
        Halvings and tolerances.

    Returns
    -------
    ChainFindings
        Dose wear of carbons, exposure wear of polyamide membranes.

    Notes
    -----
    A carbon's wear is dose × flow excess / (rated gallons × rating concentration), dose = free chlorine +
    factor × chloramine, [mg/L·gal]. Without a chlorine rating its wear by volume drives its leak. What leaks
    out of one carbon is the dose of the next and, × running hours per gallon, the exposure of the membrane;
    ``leaked_wear`` integrates it in closed form, exact while the two oxidants keep their ratio. Time before
    the carbon in place counts with the mean leak of a carbon used to ``earlier_carbon_end_wear``.
    Chloramine does not count against polyamide (said safe to 3 mg/L) and passes carbon with the same share.
    """
    count = len(parts.part_id)
    found = {name: np.full(count, np.nan) for name in ChainFindings.__dataclass_fields__}
    rows = has_role(parts, *CARBONS, PartRole.MEMBRANE)
    if len(rows) == 0:
        return ChainFindings(**found)
    unit, place = parts.unit_row[rows], _places(parts.unit_row[rows])
    stream = _enter(rows, unit, place, basis, history)
    installed = np.full(stream.free.shape, np.nan)
    installed[unit, place] = parts.installed_at_d[rows]
    ebct = contact_time_min(parts.bed_volume_ft3, basis.running_gpm)
    halvings = fresh_halvings(ebct, rules)
    membrane = _first_membrane(parts, len(stream.free_now))
    for number in range(int(place.max()) + 1):
        here = rows[place == number]
        is_carbon = np.isin(parts.role[here], _CARBON_CODES)
        _at_membrane(
            here[~is_carbon], number, parts, basis, stream, permeate_gpm, measured_leak_mg_l, found, rules
        )
        carbon = here[is_carbon]
        found["ebct_min"][carbon] = ebct[carbon]
        _through_carbon(
            carbon, number, parts, basis, stream, installed, halvings, membrane, permeate_gpm, found, rules
        )
    return ChainFindings(**found)


def _places(unit_row: Ints) -> Ints:
    return np.arange(len(unit_row)) - np.searchsorted(unit_row, unit_row, side="left")


def _first_membrane(parts: Parts, units: int) -> Ints:
    """Row of each unit's first polyamide membrane, -1 for none."""
    rows = np.flatnonzero((parts.role == PartRole.MEMBRANE) & (parts.membrane_type == MembraneType.POLYAMIDE))
    first = np.full(units, -1, dtype=np.int64)
    first[parts.unit_row[rows][::-1]] = rows[::-1]
    return first


def _enter(rows: Ints, unit: Ints, place: Ints, basis: Basis, history: FeedHistory) -> _Stream:
    free_now = value_now(history, FREE_CHLORINE)
    chloramine_now = value_now(history, CHLORAMINE)
    only_one = np.isfinite(free_now) | np.isfinite(chloramine_now)
    free_now = np.where(only_one, np.nan_to_num(free_now), np.nan)
    chloramine_now = np.where(only_one, np.nan_to_num(chloramine_now), np.nan)
    shape = (len(free_now), int(place.max()) + 1)
    free, chloramine = np.full(shape, np.nan), np.full(shape, np.nan)
    free_sum, chloramine_sum = basis.carried.free_chlorine[rows], basis.carried.chloramine[rows]
    some = np.isfinite(free_sum) | np.isfinite(chloramine_sum)
    free[unit, place] = np.where(some, np.nan_to_num(free_sum), np.nan)
    chloramine[unit, place] = np.where(some, np.nan_to_num(chloramine_sum), np.nan)
    return _Stream(free, chloramine, free_now, chloramine_now, free_now.copy(), free_now.copy())


def _at_membrane(
    rows: Ints,
    number: int,
    parts: Parts,
    basis: Basis,
    stream: _Stream,
    permeate_gpm: Floats,
    measured: Floats,
    found: dict[str, Floats],
    rules: WearSettings,
) -> None:
    unit = parts.unit_row[rows]
    feed_gal = positive(basis.carried.feed_gal[rows])
    found["oxidant_mg_l"][rows] = stream.free[unit, number] / feed_gal
    leak = np.where(np.isfinite(measured[unit]), measured[unit], stream.free_now[unit])
    found["leak_mg_l"][rows] = leak
    polyamide = parts.membrane_type[rows] == MembraneType.POLYAMIDE
    hours = running_hours_per_feed_gal(basis, permeate_gpm)[rows]
    tolerance = _tolerance(parts, rows, rules)
    exposure = np.where(polyamide, stream.free[unit, number] * hours, np.nan)
    ahead = np.where(np.isfinite(measured[unit]), measured[unit], stream.free_ahead[unit])
    found["exposure_wear"][rows] = exposure / tolerance
    found["exposure_wear_per_day"][rows] = np.where(
        polyamide, ahead * hours * basis.feed_per_day[rows] / tolerance, np.nan
    )


def _tolerance(parts: Parts, rows: Ints, rules: WearSettings) -> Floats:
    known = parts.oxidant_tolerance_mg_h_l[rows]
    return np.where(known > 0, known, rules.oxidant_tolerance_mg_h_l)


def _through_carbon(
    rows: Ints,
    number: int,
    parts: Parts,
    basis: Basis,
    stream: _Stream,
    installed: Floats,
    halvings: Floats,
    membrane: Ints,
    permeate_gpm: Floats,
    found: dict[str, Floats],
    rules: WearSettings,
) -> None:
    unit = parts.unit_row[rows]
    factor = np.nan_to_num(parts.chloramine_factor[rows], nan=1.0)
    own = basis.own_per_feed[rows]
    rated_dose = positive(basis.rated_gal[rows] * parts.rating_chlorine_mg_l[rows]) / basis.flow_excess[rows]
    dose = stream.free[unit, number] + factor * stream.chloramine[unit, number]
    dose_now = stream.free_now[unit] + factor * stream.chloramine_now[unit]
    per_day = dose_now * basis.feed_per_day[rows] * own / rated_dose
    found["dose_wear"][rows] = dose * own / rated_dose
    found["dose_wear_per_day"][rows] = per_day
    found["oxidant_mg_l"][rows] = dose / positive(basis.carried.feed_gal[rows])
    wear = np.where(
        np.isfinite(rated_dose), dose * own / rated_dose, basis.seen_gal[rows] / basis.rated_gal[rows]
    )
    wear = np.nan_to_num(wear)
    per_day = np.where(
        np.isfinite(per_day), per_day, np.nan_to_num(basis.gal_per_day[rows] / basis.rated_gal[rows])
    )
    n = halvings[rows]
    _note_life_lost(rows, wear, per_day, n, unit, parts, basis, stream, membrane, permeate_gpm, found, rules)
    _leak_sums(unit, number, factor, dose, wear, n, stream, installed, rules)
    share = leak_share(wear, n)
    cycle = mean_leak(np.zeros_like(wear), np.ones_like(wear), n)
    stream.free_ahead[unit] *= np.maximum(share, cycle)
    stream.fresh_now[unit] *= leak_share(np.zeros_like(wear), n)
    stream.free_now[unit] *= share
    stream.chloramine_now[unit] *= share


def _leak_sums(
    unit: Ints,
    number: int,
    factor: Floats,
    dose: Floats,
    wear: Floats,
    halvings: Floats,
    stream: _Stream,
    installed: Floats,
    rules: WearSettings,
) -> None:
    """Turn the sums before this carbon into the sums behind it, for every place's own time."""
    free, chloramine = stream.free[unit], stream.chloramine[unit]
    own_since = installed[unit, number][:, None]
    later = installed[unit] >= own_since
    sums = free + factor[:, None] * chloramine
    share = np.where(dose[:, None] > 0, sums / np.where(dose[:, None] > 0, dose[:, None], 1.0), 1.0)
    share = np.clip(np.nan_to_num(share, nan=1.0), 0.0, 1.0)
    n, now = halvings[:, None], wear[:, None]
    since = mean_leak(now * (1 - share), np.broadcast_to(now, share.shape), n)
    whole = mean_leak(np.zeros_like(now), now, n)
    end = np.full_like(now, rules.earlier_carbon_end_wear)
    earlier = mean_leak(np.zeros_like(now), end, n)
    for before in (free, chloramine):
        mine = before[:, number][:, None]
        behind = np.where(later, before * since, mine * whole + np.maximum(before - mine, 0.0) * earlier)
        before[:] = behind
    stream.free[unit], stream.chloramine[unit] = free, chloramine


def _note_life_lost(
    rows: Ints,
    wear: Floats,
    per_day: Floats,
    halvings: Floats,
    unit: Ints,
    parts: Parts,
    basis: Basis,
    stream: _Stream,
    membrane: Ints,
    permeate_gpm: Floats,
    found: dict[str, Floats],
    rules: WearSettings,
) -> None:
    ahead: Flags = (membrane[unit] >= 0) & (membrane[unit] > rows)
    rows, unit = rows[ahead], unit[ahead]
    hours = running_hours_per_feed_gal(basis, permeate_gpm)[rows] * basis.feed_per_day[rows]
    found["life_lost_per_week"][rows] = membrane_life_lost(
        wear[ahead],
        per_day[ahead],
        halvings[ahead],
        stream.free_now[unit] * hours,
        _tolerance(parts, membrane[unit], rules),
    )
