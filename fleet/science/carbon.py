"""Chlorine that passes carbon as it is used up, and what that costs the membrane behind it.

Oxidant on its way through carbon after carbon to the membrane, past and present.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, MembraneType, PartRole, Parts, positive
from fleet.science.feed_water import CHLORAMINE, FREE_CHLORINE, FeedHistory, value_now
from fleet.science.settings import WearSettings
from fleet.science.wear_basis import CARBONS, Basis, has_role, running_hours_per_feed_gal
from shared.measures import GAL_PER_FT3

_LN2 = float(np.log(2.0))
_DAYS_PER_WEEK = 7.0


def contact_time_min(bed_volume_ft3: Floats, flow_gpm: Floats) -> Floats:
    """
    Return the empty-bed contact time.

    Parameters
    ----------
    bed_volume_ft3 : array
        Volume of the empty bed. [ft3]
    flow_gpm : array
        Flow through it, above 0. [gpm]

    Returns
    -------
    array
        V × 7.48 / Q, NaN where flow is not above 0. [min]

    Source
    ------
    Definition; 1 ft3 at 1 gpm is 7.48 min.
    """
    return np.where(
        flow_gpm > 0, bed_volume_ft3 * GAL_PER_FT3 / np.where(flow_gpm > 0, flow_gpm, 1.0), np.nan
    )


def fresh_halvings(ebct_min: Floats, rules: WearSettings) -> Floats:
    """
    Return how many times fresh carbon halves free chlorine.

    Parameters
    ----------
    ebct_min : array
        Empty-bed contact time, NaN when the bed is not known. [min]
    rules : WearSettings
        Half time and bounds.

    Returns
    -------
    array
        Halvings between the bounds; the default where contact time is unknown. [-]
    """
    halvings = np.clip(ebct_min / rules.carbon_half_time_min, rules.least_halvings, rules.most_halvings)
    return np.where(np.isfinite(ebct_min), halvings, rules.fresh_halvings)


def leak_share(wear: Floats, halvings: Floats) -> Floats:
    """
    Return the share of free chlorine that passes carbon of a given wear.

    Parameters
    ----------
    wear : array
        Consumed fraction of the rated dose, 0 and above. [-]
    halvings : array
        Halvings when fresh, above 1. [-]

    Returns
    -------
    array
        0.5^n with n = N - (N - 1)·wear, not above 1. [-]

    Notes
    -----
    The used front moves through the bed with the dose (depth law C/C0 = 0.5^(L/Lhalf), DIN 19603). One
    half-depth is left at the rated end, where 50 % reduction is still required (NSF/ANSI 42, value from
    memory).
    """
    left = halvings - (halvings - 1) * wear
    share: Floats = np.exp2(-np.maximum(left, 0.0))
    return share


def leaked_wear(wear: Floats, halvings: Floats) -> Floats:
    """
    Return the integral of ``leak_share`` over wear from 0.

    Parameters
    ----------
    wear : array
        Upper end, 0 and above. [-]
    halvings : array
        Halvings when fresh, above 1. [-]

    Returns
    -------
    array
        Closed form; times the rated dose it is the dose that leaked. [-]
    """
    spent = halvings / (halvings - 1)
    inside = np.minimum(wear, spent)
    curve = np.exp2(-halvings) * np.expm1(_LN2 * (halvings - 1) * inside) / (_LN2 * (halvings - 1))
    return curve + np.maximum(wear - spent, 0.0)


def mean_leak(from_wear: Floats, to_wear: Floats, halvings: Floats) -> Floats:
    """
    Return the dose-weighted mean leak between two states of wear.

    Parameters
    ----------
    from_wear : array
        Earlier wear. [-]
    to_wear : array
        Later wear. [-]
    halvings : array
        Halvings when fresh. [-]

    Returns
    -------
    array
        Mean share; the share itself where both are equal. [-]
    """
    step = to_wear - from_wear
    some = step > 1e-9
    mean = (leaked_wear(to_wear, halvings) - leaked_wear(from_wear, halvings)) / np.where(some, step, 1.0)
    return np.where(some, mean, leak_share(to_wear, halvings))


def total_leak_mg_l(
    left: Floats, free_mg_l: Floats, chloramine_mg_l: Floats, halvings: Floats, chloramine_halvings: Floats
) -> Floats:
    """
    Return total chlorine behind a bed of which a share is left.

    Parameters
    ----------
    left : array
        Share of the bed's depth that still works, 0 to 1. [-]
    free_mg_l, chloramine_mg_l : array
        Of the water ahead of it. [mg/L]
    halvings, chloramine_halvings : array
        Of the whole bed when fresh. [-]

    Returns
    -------
    array
        Each oxidant halved as often as its own law has it, added. [mg/L]
    """
    passed: Floats = free_mg_l * np.exp2(-halvings * left)
    return passed + chloramine_mg_l * np.exp2(-chloramine_halvings * left)


def end_wear(
    free_mg_l: Floats,
    chloramine_mg_l: Floats,
    halvings: Floats,
    chloramine_halvings: Floats,
    limit_mg_l: float,
) -> Floats:
    """
    Return the share of its rated dose at which total chlorine behind a bed reaches a limit.

    Parameters
    ----------
    free_mg_l, chloramine_mg_l : array
        Of the water ahead of it, 0 and above. [mg/L]
    halvings, chloramine_halvings : array
        Of the whole bed when fresh, the first above 1. [-]
    limit_mg_l : float
        Above 0. [mg/L]

    Returns
    -------
    array
        1 where the limit is not reached before the rated end; NaN where even the fresh bed lets more through,
        or the water is unknown. [-]

    Notes
    -----
    Free chlorine alone: (N - log2(C / limit)) / (N - 1), from ``leak_share``; with chloramine by bisection.
    """
    at_end = 1 / halvings

    def leak(left: Floats) -> Floats:
        return total_leak_mg_l(left, free_mg_l, chloramine_mg_l, halvings, chloramine_halvings)

    low, high = at_end, np.ones_like(halvings)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        is_over = leak(middle) > limit_mg_l
        low, high = np.where(is_over, middle, low), np.where(is_over, high, middle)
    wear = (1 - high) * halvings / (halvings - 1)
    wear = np.where(leak(at_end) <= limit_mg_l, 1.0, wear)
    return np.where(leak(np.ones_like(halvings)) <= limit_mg_l, wear, np.nan)


def wear_of_leak(measured_mg_l: Floats, free_mg_l: Floats, halvings: Floats) -> Floats:
    """
    Return the wear at which a bed lets so much free chlorine through.

    Parameters
    ----------
    measured_mg_l : array
        Behind the bed, above 0. [mg/L]
    free_mg_l : array
        Ahead of it. [mg/L]
    halvings : array
        When fresh, above 1. [-]

    Returns
    -------
    array
        The inverse of ``leak_share``, not below 0; NaN where the water ahead holds no more than twice what
        was measured: then the test says nothing about the bed. [-]
    """
    ratio = np.where(free_mg_l > 2 * measured_mg_l, free_mg_l / positive(measured_mg_l), np.nan)
    return np.maximum((halvings - np.log2(ratio)) / (halvings - 1), 0.0)


def membrane_life_lost(
    wear: Floats,
    wear_per_day: Floats,
    halvings: Floats,
    exposure_mg_h_l_per_day: Floats,
    tolerance_mg_h_l: Floats,
    days: Floats | float = _DAYS_PER_WEEK,
) -> Floats:
    """
    Return how much of a membrane's oxidant tolerance leaving the carbon in would spend.

    Parameters
    ----------
    wear : array
        Wear of the carbon now. [-]
    wear_per_day : array
        Its growth. [1/day]
    halvings : array
        Its halvings when fresh. [-]
    exposure_mg_h_l_per_day : array
        Free chlorine before the carbon × running hours per day. [mg·h/L/day]
    tolerance_mg_h_l : array
        Of the membrane. [mg·h/L]
    days : array or float
        How long the carbon stays in. [day]

    Returns
    -------
    array
        Share of the tolerance, beyond what fresh carbon would have let through in that time. [-]
    """
    fresh = mean_leak(np.zeros_like(wear), wear_per_day * days, halvings)
    late = mean_leak(wear, wear + wear_per_day * days, halvings)
    return (late - fresh) * exposure_mg_h_l_per_day * days / tolerance_mg_h_l


_BISECTIONS = 24
_LEAST_END = 0.02
"""A bed that reaches the limit earlier than this is too small rather than used up. [-]"""
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
    end_share: Floats
    """Share of the rated dose at which the limit leaks, for that same bed; 1 where the rating stands. [-]"""
    is_tested: Flags
    """Its wear rests on a test behind it."""
    fresh_leak_mg_l: Floats
    """Total chlorine that a fresh bed just ahead of a polyamide membrane would let through. [mg/L]"""


@dataclass
class _Stream:
    """What flows on: sums since each consumer's installation (units, places), and values now (units,)."""

    free: Floats
    chloramine: Floats
    free_now: Floats
    chloramine_now: Floats
    free_ahead: Floats
    """Mean free chlorine to expect if carbon is changed when due."""


@dataclass(frozen=True)
class _Chain:
    """What every stage looks at."""

    parts: Parts
    basis: Basis
    installed: Floats
    """(units, places) day each consumer was put in. [day]"""
    halvings: Floats
    chloramine_halvings: Floats
    last_carbon: Ints
    """Row of the carbon next to each unit's first polyamide membrane, -1 for none."""
    anchor_mg_l: Floats
    anchor_age_d: Floats
    """Newest free chlorine found behind the carbon in place, and how long ago. [mg/L], [day]"""
    hours_per_feed_gal: Floats
    """Running hours per gallon of feed, one per part. [h/gal]"""
    membrane: Ints
    """Row of each unit's first polyamide membrane, -1 for none."""
    measured_mg_l: Floats
    rules: WearSettings
    found: dict[str, Any]


def follow_oxidant(
    parts: Parts,
    basis: Basis,
    history: FeedHistory,
    permeate_gpm: Floats,
    measured_leak_mg_l: Floats,
    anchor_mg_l: Floats,
    anchor_age_d: Floats,
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
    anchor_mg_l, anchor_age_d : array (units,)
        Newest such test of the carbon in place, however old [mg/L], and its age [day].
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
    The carbon next to a polyamide membrane ends where total chlorine behind it reaches the limit
    (``end_wear``): its dose wear is 1 there; where even a fresh one lets more through, the rated dose stands.
    A test behind it sets its wear as of that day, and the dose since is added.
    Chloramine does not count against polyamide (said safe to 3 mg/L); what has passed carbon of it in the
    past is summed with the share of free chlorine, which only a second carbon in line notices.
    """
    count = len(parts.part_id)
    found = {name: np.full(count, np.nan) for name in ChainFindings.__dataclass_fields__}
    found["is_tested"] = np.zeros(count, dtype=bool)
    rows = has_role(parts, *CARBONS, PartRole.MEMBRANE)
    if len(rows) == 0:
        return ChainFindings(**found)
    unit, place = parts.unit_row[rows], _places(parts.unit_row[rows])
    stream = _enter(rows, unit, place, basis, history)
    installed = np.full(stream.free.shape, np.nan)
    installed[unit, place] = parts.installed_at_d[rows]
    ebct = contact_time_min(parts.bed_volume_ft3, basis.running_gpm)
    chain = _Chain(
        parts=parts,
        basis=basis,
        installed=installed,
        halvings=fresh_halvings(ebct, rules),
        chloramine_halvings=_chloramine_halvings(parts, ebct, rules),
        last_carbon=_last_carbon(parts, _first_membrane(parts, len(stream.free_now))),
        anchor_mg_l=anchor_mg_l,
        anchor_age_d=anchor_age_d,
        hours_per_feed_gal=running_hours_per_feed_gal(basis, permeate_gpm),
        membrane=_first_membrane(parts, len(stream.free_now)),
        measured_mg_l=measured_leak_mg_l,
        rules=rules,
        found=found,
    )
    for number in range(int(place.max()) + 1):
        here = rows[place == number]
        is_carbon = np.isin(parts.role[here], _CARBON_CODES)
        _at_membrane(chain, stream, here[~is_carbon], number)
        carbon = here[is_carbon]
        found["ebct_min"][carbon] = ebct[carbon]
        _through_carbon(chain, stream, carbon, number)
    return ChainFindings(**found)


def _places(unit_row: Ints) -> Ints:
    return np.arange(len(unit_row)) - np.searchsorted(unit_row, unit_row, side="left")


def _first_membrane(parts: Parts, units: int) -> Ints:
    """Row of each unit's first polyamide membrane, -1 for none."""
    rows = np.flatnonzero((parts.role == PartRole.MEMBRANE) & (parts.membrane_type == MembraneType.POLYAMIDE))
    first = np.full(units, -1, dtype=np.int64)
    first[parts.unit_row[rows][::-1]] = rows[::-1]
    return first


def _last_carbon(parts: Parts, membrane: Ints) -> Ints:
    """Row of the carbon next ahead of each unit's first polyamide membrane, -1 for none."""
    rows = has_role(parts, PartRole.CARBON, PartRole.CATALYTIC_CARBON)
    rows = rows[rows < membrane[parts.unit_row[rows]]]
    last = np.full(len(membrane), -1, dtype=np.int64)
    last[parts.unit_row[rows]] = rows
    return last


def _chloramine_halvings(parts: Parts, ebct_min: Floats, rules: WearSettings) -> Floats:
    """How often fresh carbon halves monochloramine; by free chlorine's default where the bed is unknown."""
    is_catalytic = parts.role == PartRole.CATALYTIC_CARBON
    half = np.where(is_catalytic, rules.catalytic_half_time_min, rules.chloramine_half_time_min)
    known = np.minimum(ebct_min / half, rules.most_halvings)
    default = rules.fresh_halvings * rules.carbon_half_time_min / rules.catalytic_half_time_min
    return np.where(np.isfinite(ebct_min), known, default)


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
    return _Stream(free, chloramine, free_now, chloramine_now, free_now.copy())


def _at_membrane(chain: _Chain, stream: _Stream, rows: Ints, number: int) -> None:
    unit = chain.parts.unit_row[rows]
    measured = chain.measured_mg_l[unit]
    is_measured = np.isfinite(measured)
    polyamide = chain.parts.membrane_type[rows] == MembraneType.POLYAMIDE
    hours = np.where(polyamide, chain.hours_per_feed_gal[rows], np.nan)
    tolerance = _tolerance(chain, rows)
    ahead = np.where(is_measured, measured, stream.free_ahead[unit])
    found = chain.found
    found["oxidant_mg_l"][rows] = stream.free[unit, number] / positive(chain.basis.carried.feed_gal[rows])
    found["leak_mg_l"][rows] = np.where(is_measured, measured, stream.free_now[unit])
    found["exposure_wear"][rows] = stream.free[unit, number] * hours / tolerance
    found["exposure_wear_per_day"][rows] = ahead * hours * chain.basis.feed_per_day[rows] / tolerance


def _tolerance(chain: _Chain, rows: Ints) -> Floats:
    known = chain.parts.oxidant_tolerance_mg_h_l[rows]
    return np.where(known > 0, known, chain.rules.oxidant_tolerance_mg_h_l)


def _through_carbon(chain: _Chain, stream: _Stream, rows: Ints, number: int) -> None:
    parts, basis, found = chain.parts, chain.basis, chain.found
    unit = parts.unit_row[rows]
    factor = np.nan_to_num(parts.chloramine_factor[rows], nan=1.0)
    own = basis.own_per_feed[rows]
    rated_dose = positive(basis.rated_gal[rows] * parts.rating_chlorine_mg_l[rows]) / basis.flow_excess[rows]
    dose = stream.free[unit, number] + factor * stream.chloramine[unit, number]
    dose_now = stream.free_now[unit] + factor * stream.chloramine_now[unit]
    found["dose_wear"][rows] = dose * own / rated_dose
    found["dose_wear_per_day"][rows] = dose_now * basis.feed_per_day[rows] * own / rated_dose
    found["oxidant_mg_l"][rows] = dose / positive(basis.carried.feed_gal[rows])
    wear = _known(found["dose_wear"][rows], basis.seen_gal[rows] / basis.rated_gal[rows])
    per_day = _known(found["dose_wear_per_day"][rows], basis.gal_per_day[rows] / basis.rated_gal[rows])
    halvings = chain.halvings[rows]
    end = _end(chain, stream, rows)
    # Parts were found used up at the limit: a learned life is that share of the dose the depth law counts in.
    counted = np.where(np.isfinite(parts.learned_life_gal[rows]), end, 1.0)
    wear, per_day = wear * counted, per_day * counted
    wear = _anchored(chain, stream, rows, wear, per_day)
    _note_end(chain, stream, rows, wear / end, counted / end)
    _note_life_lost(chain, stream, rows, wear, per_day)
    _leak_sums(chain, stream, rows, number, wear, factor)
    share = leak_share(wear, halvings)
    cycle = mean_leak(np.zeros_like(wear), np.ones_like(wear), halvings)
    stream.free_ahead[unit] *= np.maximum(share, cycle)
    stream.free_now[unit] *= share
    slower = chain.chloramine_halvings[rows] / halvings
    stream.chloramine_now[unit] *= share**slower


def _anchored(chain: _Chain, stream: _Stream, rows: Ints, wear: Floats, per_day: Floats) -> Floats:
    """Wear by what was found behind the bed, plus the dose since; the model's own where nothing was."""
    unit, halvings = chain.parts.unit_row[rows], chain.halvings[rows]
    is_tested = (chain.last_carbon[unit] == rows) & np.isfinite(chain.anchor_mg_l[unit])
    value = np.fmax(chain.anchor_mg_l[unit], chain.rules.strip_reads_mg_l)
    found = wear_of_leak(value, np.nan_to_num(stream.free_now[unit]), halvings)
    then = np.maximum(wear - per_day * chain.anchor_age_d[unit], 0.0)
    is_below = chain.anchor_mg_l[unit] < chain.rules.strip_reads_mg_l
    found = np.where(is_below, np.minimum(found, then), found)
    is_tested &= np.isfinite(found)
    chain.found["is_tested"][rows] = is_tested
    return np.where(is_tested, found + wear - then, wear)


def _end(chain: _Chain, stream: _Stream, rows: Ints) -> Floats:
    """Share of the rated dose at which the last carbon lets the limit through; 1 for any other."""
    shares = np.ones(len(rows))
    last = chain.last_carbon[chain.parts.unit_row[rows]] == rows
    rows, unit = rows[last], chain.parts.unit_row[rows[last]]
    end = end_wear(
        stream.free_now[unit],
        stream.chloramine_now[unit],
        chain.halvings[rows],
        chain.chloramine_halvings[rows],
        chain.rules.chlorine_after_carbon_limit_mg_l,
    )
    shares[last] = np.where(np.isfinite(end), np.maximum(end, _LEAST_END), 1.0)
    return shares


def _note_end(chain: _Chain, stream: _Stream, rows: Ints, wear: Floats, faster: Floats) -> None:
    """Count the dose wear of the last carbon to its end, and note what a fresh one would let through."""
    unit = chain.parts.unit_row[rows]
    last = chain.last_carbon[unit] == rows
    rows, unit, found = rows[last], unit[last], chain.found
    is_dosed = np.isfinite(found["dose_wear"][rows])
    found["dose_wear"][rows] = np.where(is_dosed, wear[last], np.nan)
    found["dose_wear_per_day"][rows] *= faster[last]
    found["end_share"][rows] = 1 / faster[last]
    found["fresh_leak_mg_l"][rows] = total_leak_mg_l(
        np.ones(len(rows)),
        stream.free_now[unit],
        stream.chloramine_now[unit],
        chain.halvings[rows],
        chain.chloramine_halvings[rows],
    )


def _known(first: Floats, second: Floats) -> Floats:
    """The first where known, else the second, else 0."""
    return np.nan_to_num(np.where(np.isfinite(first), first, second))


def _leak_sums(chain: _Chain, stream: _Stream, rows: Ints, number: int, wear: Floats, factor: Floats) -> None:
    """Turn the sums before this carbon into the sums behind it, for every place's own time."""
    unit = chain.parts.unit_row[rows]
    free, chloramine = stream.free[unit], stream.chloramine[unit]
    later = chain.installed[unit] >= chain.installed[unit, number][:, None]
    sums = free + factor[:, None] * chloramine
    dose = sums[:, number][:, None]
    share = np.where(dose > 0, sums / np.where(dose > 0, dose, 1.0), 1.0)
    share = np.clip(np.nan_to_num(share, nan=1.0), 0.0, 1.0)
    n, now = chain.halvings[rows][:, None], wear[:, None]
    since = mean_leak(now * (1 - share), np.broadcast_to(now, share.shape), n)
    whole = mean_leak(np.zeros_like(now), now, n)
    earlier = mean_leak(np.zeros_like(now), np.full_like(now, chain.rules.earlier_carbon_end_wear), n)
    for before in (free, chloramine):
        mine = before[:, number][:, None]
        former = mine * whole + np.maximum(before - mine, 0.0) * earlier
        before[:] = np.where(later, before * since, former)
    stream.free[unit], stream.chloramine[unit] = free, chloramine


def _note_life_lost(chain: _Chain, stream: _Stream, rows: Ints, wear: Floats, per_day: Floats) -> None:
    unit = chain.parts.unit_row[rows]
    ahead: Flags = (chain.membrane[unit] >= 0) & (chain.membrane[unit] > rows)
    rows, unit = rows[ahead], unit[ahead]
    hours = chain.hours_per_feed_gal[rows] * chain.basis.feed_per_day[rows]
    chain.found["life_lost_per_week"][rows] = membrane_life_lost(
        wear[ahead],
        per_day[ahead],
        chain.halvings[rows],
        stream.free_now[unit] * hours,
        _tolerance(chain, chain.membrane[unit]),
    )
