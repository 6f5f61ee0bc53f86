"""What the fleet has taught of its use, as known at a moment, for an assessment of that moment."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from fleet.models import UseRules
from fleet.science.columns import Units
from fleet.science.season import SeasonClock
from fleet.science.settings import AssessmentSettings
from fleet.science.use_fleet import LikeSites, lend_use


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
        use=replace(plain.use, design_spread=newest.design_spread, design_cv=newest.design_cv),
        season=SeasonClock(
            tuple(newest.months) or flat.factor_by_month,
            tuple(newest.weekdays) or flat.factor_by_weekday,
            newest.local_ahead_d,
        ),
    )
    return FleetRules(settings, newest.like_sites, newest.learned_at)
