"""What each register interval is worth: faults told apart, repaired, never silently dropped.

An interval is the stretch that ends at a reading. Its fault is a ``UseFault``; every interval whose register
difference cannot be taken as it stands has one.
"""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, UseFault
from fleet.science.registers import Counted, Registers, mark_stuck, slip_states
from fleet.science.series import positive_median
from fleet.science.settings import UseSettings
from shared.measures import LITRES_PER_GAL

_MISREAD_IN_A_ROW = 2
"""So many values in a row may be misread, e.g. the same wrong one entered twice."""


@dataclass(frozen=True)
class Expected:
    """What use may look like, one value per row of ``Registers``."""

    typical_gal: Floats
    """Typical use over the interval. [gal]"""
    most_gal: Floats
    """More is not believed. [gal]"""
    day_gal: Floats
    """Typical use of a day. [gal]"""


def judge(
    registers: Registers,
    series_count: int,
    design_gal_per_day: Floats,
    cap_gal_per_day: Floats,
    rules: UseSettings,
) -> Counted:
    """
    Tell faults apart and repair them.

    Parameters
    ----------
    registers : Registers
        The readings.
    series_count : int
        How many series there are.
    design_gal_per_day : array (series,)
        Design duty of each series, NaN when unknown. [gal/day]
    cap_gal_per_day : array (series,)
        Physical ceiling, infinity when unknown. [gal/day]
    rules : UseSettings
        Multiples and lengths.

    Returns
    -------
    Counted
        One row per reading.

    Notes
    -----
    In this order, each on what the earlier repairs left:

    * MEASURE_SLIP: a stretch of values is 3.785 times (litres for gallons) or 1/3.785 of what fits; see
      ``measure_slips``. Values are scaled back.
    * OUTLIER: one value, or two in a row, off the line of the neighbours, which agree with each other. The
      straight line stands in, so all intervals it touches are repaired. A last reading off the line is one,
      too.
    * SWAP: another ``meter_id``, or a fall or jump too large to be use. Mean use stands in; a new meter's own
      count, if larger and believable.
    * ROLLOVER: a fall that is believable use modulo the register.
    * REVERSED: a fall the size of use; its size counts.
    * STUCK: no movement for longer than ``still_days`` while another meter of the unit moved, or for longer
      than ``away_days`` where none was read. Where another stood too, the unit was idle: nothing is counted
      and it is no fault. Mean use stands in, for a stuck meter must not make a part look fresh; unless the
      register then jumps by what was missing, which is spread over the stretch.
    """
    raw = _differences(registers, registers.total_gal)
    expected = _expected(registers, raw, series_count, design_gal_per_day, cap_gal_per_day, rules)
    scaled, slipped = _undo_slips(registers, raw, expected)
    line, spiked = _undo_spikes(registers, scaled, expected, rules)
    gal, fault = _classify(registers, line, expected, rules)
    touched = (fault == UseFault.NONE) & registers.follows_meter
    fault[touched & spiked] = UseFault.OUTLIER
    fault[touched & ~spiked & slipped] = UseFault.MEASURE_SLIP
    still = registers.follows_meter & (gal == 0) & (registers.days > 0) & (fault == UseFault.NONE)
    mean = _mean_rate(registers, gal, fault, series_count, design_gal_per_day)
    gal = _stand_in(registers, gal, fault, line, expected, mean)
    counted = Counted(gal, np.where(registers.follows, raw, 0.0), fault, still)
    return mark_stuck(registers, counted, mean, series_count, rules)


def _differences(registers: Registers, values: Floats) -> Floats:
    gal = np.zeros(len(values))
    gal[1:] = np.where(registers.follows[1:], np.diff(values), 0.0)
    return gal


def _expected(
    registers: Registers,
    raw: Floats,
    series_count: int,
    design: Floats,
    cap: Floats,
    rules: UseSettings,
) -> Expected:
    usable = registers.follows_meter & (registers.days > 0)
    rate = np.where(usable, raw / np.where(usable, registers.days, 1.0), 0.0)
    median, counts = positive_median(registers.series, series_count, rate)
    known_design = np.where(design > 0, design, np.nan)
    typical = np.where((counts < rules.few_readings) & np.isfinite(known_design), known_design, median)
    believed = np.fmax(typical, 0.5 * known_design)
    most = np.fmin(rules.plausible_multiple * believed, rules.physical_margin * cap)
    days = np.nan_to_num(registers.days)
    day_gal = typical[registers.series]
    return Expected(day_gal * days, most[registers.series] * np.maximum(days, 1.0), day_gal)


def _undo_slips(registers: Registers, raw: Floats, expected: Expected) -> tuple[Floats, Flags]:
    """Scale back stretches entered in another measure of volume."""
    state = slip_states(
        registers.total_gal,
        expected.typical_gal,
        expected.day_gal,
        registers.follows,
        registers.follows_meter,
        raw,
    )
    slipped = state != 0
    slipped[1:] |= registers.follows[1:] & (state[:-1] != 0)
    return registers.total_gal / LITRES_PER_GAL**state, slipped


def _undo_spikes(
    registers: Registers, values: Floats, expected: Expected, rules: UseSettings
) -> tuple[Floats, Flags]:
    """Replace one value, or two in a row, off the line of two neighbours that agree with each other."""
    repaired, spiked = values.copy(), np.zeros(len(values), dtype=bool)
    for length in range(1, _MISREAD_IN_A_ROW + 1):
        _bridge(registers, repaired, spiked, expected, rules, length)
    return repaired, spiked


def _bridge(
    registers: Registers,
    values: Floats,
    spiked: Flags,
    expected: Expected,
    rules: UseSettings,
    length: int,
) -> None:
    """Put ``length`` values off the line of their neighbours back on it, in place."""
    falls = registers.follows_meter & (_differences(registers, values) < 0)
    intervals = range(length + 1)
    count = max(len(values) - length - 1, 0)
    unbroken, odd = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    for k in intervals:
        here = slice(1 + k, 1 + k + count)
        unbroken &= registers.follows_meter[here] & ~spiked[here]
        odd |= falls[here]
    first = np.flatnonzero(unbroken & odd) + 1
    bridge = values[first + length] - values[first - 1]
    span = registers.at_d[first + length] - registers.at_d[first - 1]
    most, typical = np.zeros(len(first)), np.zeros(len(first))
    for k in intervals:
        most += expected.most_gal[first + k]
        typical += expected.typical_gal[first + k]
    lines, off = [], np.full(len(first), np.inf)
    for k in range(length):
        even = (k + 1) / (length + 1)
        elapsed = registers.at_d[first + k] - registers.at_d[first - 1]
        share = np.where(span > 0, elapsed / np.where(span > 0, span, 1.0), even)
        lines.append(values[first - 1] + share * bridge)
        off = np.minimum(off, np.abs(values[first + k] - lines[k]))
    found = (bridge >= 0) & (bridge <= most) & (off > rules.spike_multiple * typical)
    found[found] = _largest_of_neighbours(first[found], off[found])
    for k in range(length):
        values[first[found] + k] = lines[k][found]
    for k in intervals:
        spiked[first[found] + k] = True


def _largest_of_neighbours(rows: Ints, size: Floats) -> Flags:
    """Keep a row only if no row next to it is further off."""
    keep = np.ones(len(rows), dtype=bool)
    if len(rows) > 1:
        near = np.diff(rows) == 1
        keep[1:] &= ~(near & (size[:-1] >= size[1:]))
        keep[:-1] &= ~(near & (size[1:] > size[:-1]))
    return keep


def _classify(
    registers: Registers, values: Floats, expected: Expected, rules: UseSettings
) -> tuple[Floats, Ints]:
    gal = _differences(registers, values)
    fault = np.zeros(len(values), dtype=np.int64)
    fault[registers.follows & ~registers.follows_meter] = UseFault.SWAP
    falls = np.flatnonzero(registers.follows_meter & (gal < 0))
    around = gal[falls] + registers.rollover_gal[falls]
    rolled = (around >= 0) & (around <= expected.most_gal[falls])
    small = -gal[falls] <= rules.reversed_multiple * expected.typical_gal[falls]
    misread = _is_last(registers, falls) & (values[falls] > expected.most_gal[falls])
    fault[falls] = np.select(
        [rolled, small, misread],
        [int(UseFault.ROLLOVER), int(UseFault.REVERSED), int(UseFault.OUTLIER)],
        int(UseFault.SWAP),
    )
    gal[falls] = np.where(rolled, around, np.abs(gal[falls]))
    jumps = np.flatnonzero(registers.follows_meter & (fault == UseFault.NONE) & (gal > expected.most_gal))
    fault[jumps] = np.where(_is_last(registers, jumps), int(UseFault.OUTLIER), int(UseFault.SWAP))
    return gal, fault


def _is_last(registers: Registers, rows: Ints) -> Flags:
    goes_on: Flags = np.append(registers.follows, False)[rows + 1]
    return ~goes_on


def is_sure(fault: Ints) -> Flags:
    """
    Return which intervals carry information about use.

    Parameters
    ----------
    fault : array
        A ``UseFault`` per interval.

    Returns
    -------
    array of bool
        True where the count was measured, if by a detour, and not made up.
    """
    made_up: Flags = (fault == UseFault.SWAP) | (fault == UseFault.STUCK) | (fault == UseFault.OUTLIER)
    return ~made_up


def _mean_rate(registers: Registers, gal: Floats, fault: Ints, series_count: int, design: Floats) -> Floats:
    sure = registers.follows & is_sure(fault) & (gal > 0)
    days = np.bincount(registers.series[sure], registers.days[sure], series_count)
    total = np.bincount(registers.series[sure], gal[sure], series_count)
    return np.where(days > 0, total / np.where(days > 0, days, 1.0), np.nan_to_num(design))


def _stand_in(
    registers: Registers, gal: Floats, fault: Ints, values: Floats, expected: Expected, mean: Floats
) -> Floats:
    """Mean use where the register says nothing; a new meter's own count if that is larger."""
    lost = np.flatnonzero(
        (fault == UseFault.SWAP) | ((fault == UseFault.OUTLIER) & _off_end(registers, fault))
    )
    usual = mean[registers.series[lost]] * registers.days[lost]
    own = np.where(
        (fault[lost] == UseFault.SWAP) & (values[lost] <= expected.most_gal[lost]), values[lost], 0.0
    )
    gal = gal.copy()
    gal[lost] = np.maximum(usual, np.maximum(own, 0.0))
    return gal


def _off_end(registers: Registers, fault: Ints) -> Flags:
    """Outliers at the end of a series, whose line to the next reading is not known."""
    rows = np.arange(len(fault))
    lonely: Flags = fault == UseFault.OUTLIER
    bridged = np.zeros(len(fault), dtype=bool)
    bridged[1:] = lonely[1:] & lonely[:-1] & registers.follows[1:]
    return _is_last(registers, rows) & lonely & ~bridged
