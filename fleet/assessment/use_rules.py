"""How the fleet uses water, by season, weekday and kind of site: learned, and as known at a moment."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from fleet.assessment.columns import read_shard
from fleet.assessment.days import to_days
from fleet.database.columns import UnitRange
from fleet.models import TreatmentUnit, UseRules
from fleet.science.columns import ShardColumns, Units
from fleet.science.curves import permeate_intervals
from fleet.science.fleet_use import LikeSites, fit_use_rules, learn_like_sites, lend_use
from fleet.science.found import UnitUse
from fleet.science.season import SeasonClock, learn_clock
from fleet.science.settings import AssessmentSettings, UseSettings
from fleet.science.use import compute_use

SAMPLE_UNITS: Final = 20_000
"""Treatment units learned from; a median of so many no longer moves."""
ROUNDS: Final = 4
"""Each round draws the spreads less towards the old rule; after four they have arrived."""
LEAST_LIKE_SITES: Final = 3
"""Fewer metered units of a kind of site lend nothing. Ours."""


@dataclass(frozen=True)
class FleetRules:
    """Settings of an assessment and what like sites lend."""

    settings: AssessmentSettings
    like_sites: dict[str, dict]
    """By kind of site: ``ratio`` of use to design duty, ``gal_per_day``, number of ``sites``."""
    learned_at: datetime | None

    def lend(self, units: Units, kinds: list[str]) -> Units:
        """Return the treatment units with the use of like sites as what is expected of them.

        Parameters
        ----------
        units : Units
        kinds : list of text
            Kind of site of each unit; empty where nobody said.
        """
        if not self.like_sites:
            return units
        names = sorted(self.like_sites)
        row_of = {name: row for row, name in enumerate(names)}
        group = np.array([row_of.get(kind, -1) for kind in kinds], dtype=np.int64)
        lent = [self.like_sites[name] for name in names]
        like = LikeSites(
            ratio=np.array([one["ratio"] for one in lent], dtype=np.float64),
            gal_per_day=np.array([one["gal_per_day"] for one in lent], dtype=np.float64),
            sites=np.array([one["sites"] for one in lent], dtype=np.int64),
        )
        return replace(units, design_use_gal_per_day=lend_use(units.design_use_gal_per_day, group, like))


def rules_at(moment: datetime) -> FleetRules:
    """Return the documented settings with the newest rules learned by a moment."""
    plain = AssessmentSettings()
    newest = UseRules.objects.filter(learned_at__lte=moment).order_by("-learned_at").first()
    if newest is None:
        return FleetRules(plain, {}, None)
    flat = SeasonClock()
    settings = replace(
        plain,
        use=replace(
            plain.use,
            design_spread=newest.design_spread,
            design_cv=newest.design_cv,
            use_wander=newest.use_wander,
        ),
        season=SeasonClock(
            tuple(newest.months) or flat.factor_by_month,
            tuple(newest.weekdays) or flat.factor_by_weekday,
            newest.local_ahead_d,
        ),
    )
    return FleetRules(settings, newest.like_sites, newest.learned_at)


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
            "use_wander": learned.swing.use_wander,
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
