"""Meter series with known faults, drawn with fixed seeds, and how well the judge finds them."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import MeterReadings, PerformanceReadings, Units, UseFault, Water
from fleet.science.found import MeterFaults
from tests.benchmarks.synthetic_shard import make_table

LITRES_PER_GAL = 231 * 0.0254**3 * 1000
NOW_D = 20_000.0
READINGS = 52


@dataclass
class LabelledMeters:
    """Permeate meters, one per treatment unit, with the true fault and use of every interval."""

    units: Units
    readings: MeterReadings
    label: np.ndarray
    """(units, readings) a ``UseFault``; column 0 has no interval."""
    true_gal: np.ndarray
    """(units, readings) true use of each interval."""


def draw_meters(
    per_kind: int, seed: int, mean_gal_per_day: float = 40.0, *, is_rough: bool = False
) -> LabelledMeters:
    """
    Draw per_kind units of each kind of fault and as many clean ones; a fault per unit, in mid-series.

    Rough ones are read every 2 to 40 days, to 10 gal, by people whose use swings twice as much and who go
    away for one reading out of fifty.
    """
    rng = np.random.default_rng(seed)
    kinds = np.repeat(np.arange(len(UseFault)), per_kind)
    units = len(kinds)
    mean = rng.lognormal(np.log(mean_gal_per_day), 0.5, units)
    days = rng.uniform(*((2.0, 40.0) if is_rough else (4.0, 11.0)), (units, READINGS))
    at_d = NOW_D - 1 - np.cumsum(days[:, ::-1], axis=1)[:, ::-1] + days
    swing = 1.0 if is_rough else 0.5
    true = np.maximum(rng.normal(mean[:, None] * days, swing * mean[:, None] * np.sqrt(days)), 0.5)
    if is_rough:
        true[(rng.random(true.shape) < 0.02) & (days < 13)] = 0.0
    true[:, 0] = 0.0
    start = rng.uniform(0.0, 60_000.0, units)
    total = start[:, None] + np.cumsum(true, axis=1)
    meter = np.broadcast_to(np.arange(units)[:, None], total.shape).copy()
    rollover = np.full(units, 1e6)
    label = np.zeros(total.shape, dtype=np.int64)
    for unit, kind in enumerate(kinds):
        at = int(rng.integers(5, READINGS - 8))
        put_fault(rng, UseFault(kind), unit, at, total, label, meter, rollover, true)
    return LabelledMeters(
        units=make_table(
            Units,
            units,
            unit_id=np.arange(units),
            design_recovery=0.4,
            design_use_gal_per_day=mean * rng.lognormal(0.0, 0.3, units),
            design_permeate_gpm=0.5,
            commissioned_d=at_d[:, 0],
            idle_limit_days=30.0,
        ),
        readings=make_table(
            MeterReadings,
            total.size,
            unit_row=np.repeat(np.arange(units), READINGS),
            water=int(Water.PERMEATE),
            meter_id=meter.ravel(),
            read_at_d=at_d.ravel(),
            total_gal=np.round(total, -1 if is_rough else 1).ravel(),
            rollover_gal=np.repeat(rollover, READINGS),
        ),
        label=label,
        true_gal=true,
    )


def put_fault(rng, kind, unit, at, total, label, meter, rollover, true):
    """Spoil one series; label every interval whose register difference is wrong."""
    row = total[unit]
    if kind is UseFault.ROLLOVER:
        rollover[unit] = 1e5
        row += 1e5 - row[at - 1] - rng.uniform(0, 1) * true[unit, at]
        row[:] = row % 1e5
        label[unit, at] = kind
    elif kind is UseFault.SWAP:
        row[at:] -= row[at] - rng.uniform(0, 1) * true[unit, at]
        if rng.random() < 0.5:
            meter[unit, at:] += 1_000_000
        label[unit, at] = kind
    elif kind is UseFault.REVERSED:
        length = int(rng.integers(1, 5))
        for step in range(at, at + length):
            row[step:] -= 2 * true[unit, step]
        label[unit, at : at + length] = kind
    elif kind is UseFault.STUCK:
        # Alone, and shorter, nobody can tell it from people who are away.
        at, length = min(at, READINGS - 14), 5 + int(rng.integers(4, 8))
        lost = np.cumsum(true[unit, at : at + length])
        row[at : at + length] -= lost
        row[at + length :] -= lost[-1]
        label[unit, at : at + length] = kind
    elif kind is UseFault.MEASURE_SLIP:
        length = int(rng.integers(1, 7))
        factor = LITRES_PER_GAL if rng.random() < 0.5 else 1 / LITRES_PER_GAL
        row[at : at + length] *= factor
        label[unit, at : at + length + 1] = kind
    elif kind is UseFault.OUTLIER:
        digits = np.array([10.0, 0.1, 2.0, 0.5, 1.4])
        wrong = row[at] * rng.choice(digits)
        # One in three is entered twice, as when the last figure is copied.
        length = 1 + int(rng.random() < 1 / 3)
        row[at : at + length] = wrong
        label[unit, at : at + length + 1] = kind


NO_GAUGES = make_table(PerformanceReadings, 0)


def found_labels(meters: LabelledMeters, faults: MeterFaults) -> np.ndarray:
    """The judge's answer in the shape of ``label``."""
    found = np.zeros_like(meters.label)
    at_d = meters.readings.read_at_d.reshape(meters.label.shape)
    place = np.argmax(at_d[faults.unit_row] == faults.read_at_d[:, None], axis=1)
    found[faults.unit_row, place] = faults.fault
    return found


def score(label: np.ndarray, found: np.ndarray) -> dict[str, tuple[int, float, float]]:
    """Per kind: labelled intervals, precision, recall."""
    table = {}
    for kind in UseFault:
        is_so, said = label == kind, found == kind
        hit = (is_so & said).sum()
        table[kind.name] = (int(is_so.sum()), hit / max(said.sum(), 1), hit / max(is_so.sum(), 1))
    return table
