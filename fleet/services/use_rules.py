"""Learn from the fleet how its use swings, by season and weekday, and what like sites use."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from fleet.models import TreatmentUnit, UseRules
from fleet.queries.columns import UnitRange, read_shard
from fleet.science.columns import ShardColumns, Units, UnitUse
from fleet.science.curves import permeate_intervals
from fleet.science.season import SeasonClock
from fleet.science.season_fit import learn_clock
from fleet.science.settings import UseSettings
from fleet.science.use import compute_use
from fleet.science.use_fleet import fit_use_rules, learn_like_sites, lend_use
from fleet.services.days import to_days

SAMPLE_UNITS: Final = 20_000
"""Treatment units learned from; a median of so many no longer moves."""
ROUNDS: Final = 4
"""Each round draws the spreads less towards the old rule; after four they have arrived."""
LEAST_LIKE_SITES: Final = 3
"""Fewer metered units of a kind of site lend nothing. Ours."""


@dataclass(frozen=True)
class _Learned:
    swing: UseSettings
    clock: SeasonClock
    like_sites: dict[str, dict]


def learn_use(now: datetime) -> UseRules | None:
    """Learn the rules of use from the fleet and keep them as a new row; None while data are few."""
    sites = list(
        TreatmentUnit.objects.order_by("id").values_list("id", "site__kind", "site__time_zone")[:SAMPLE_UNITS]
    )
    if not sites:
        return None
    columns = read_shard(UnitRange(sites[0][0], sites[-1][0]), to_days(now)).columns
    learned = _learn(columns, [kind for _, kind, _ in sites], _ahead([zone for *_, zone in sites], now), now)
    if learned.swing == UseSettings() and learned.clock.is_flat and not learned.like_sites:
        return None
    clock = learned.clock
    known, _ = UseRules.objects.update_or_create(
        learned_at=now,
        defaults={
            "design_spread": learned.swing.design_spread,
            "design_cv": learned.swing.design_cv,
            "units_used": len(sites),
            "months": [] if clock.has_even_months else [round(one, 4) for one in clock.factor_by_month],
            "weekdays": [] if clock.has_even_week else [round(one, 4) for one in clock.factor_by_weekday],
            "local_ahead_d": clock.local_ahead_d,
            "like_sites": learned.like_sites,
        },
    )
    return known


def _learn(columns: ShardColumns, kinds: list[str], ahead_d: np.ndarray, now: datetime) -> _Learned:
    """Season first, for it bends the intervals; then like sites, for they stand in for the design duty."""
    now_d = to_days(now)

    def uses(units: Units, swing: UseSettings, clock: SeasonClock) -> UnitUse:
        return compute_use(units, columns.readings, columns.performance, now_d, swing, clock)[0]

    plain = UseSettings()
    _, _, curves = compute_use(columns.units, columns.readings, columns.performance, now_d, plain)
    clock = learn_clock(*permeate_intervals(curves), ahead_d)
    names = sorted({kind for kind in kinds if kind})
    row_of = {name: row for row, name in enumerate(names)}
    group = np.array([row_of.get(kind, -1) for kind in kinds], dtype=np.int64)
    like = learn_like_sites(columns.units, uses(columns.units, plain, clock), group, len(names))
    enough = like.sites >= LEAST_LIKE_SITES
    lent = {
        name: {
            "ratio": round(float(like.ratio[row]), 4),
            "gal_per_day": round(float(like.gal_per_day[row]), 3),
            "sites": int(like.sites[row]),
        }
        for row, name in enumerate(names)
        if enough[row]
    }
    group = np.where(np.append(enough, False)[group], group, -1)
    units = replace(
        columns.units,
        design_use_gal_per_day=lend_use(columns.units.design_use_gal_per_day, group, like),
    )
    swing = plain
    for _ in range(ROUNDS):
        swing = fit_use_rules(units, uses(units, swing, clock), swing)
    return _Learned(swing, clock, lent)


def _ahead(zones: list[str], now: datetime) -> np.ndarray:
    """How far each site's clock is ahead of UTC now. [day]"""
    day_s = 86_400.0
    offset = {zone: now.astimezone(ZoneInfo(zone)).utcoffset().total_seconds() / day_s for zone in set(zones)}
    return np.array([offset[zone] for zone in zones])
