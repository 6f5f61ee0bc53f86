"""How far the invented parts have really worn, so that why they came out follows from it."""

from typing import Final

import numpy as np

from scheduling.demo.catalogue import part_kinds
from scheduling.demo.fleet_plan import PlannedUnit
from scheduling.demo.water import free_chlorine_mg_l

DAYS_KEPT: Final = 1500
"""So far back parts may have been put in. [day]"""
CLOGS_AFTER: Final = (150.0, 260.0)
"""Days of a unit's usual water until its sediment cartridge is clogged, drawn once for each unit."""
LIMIT_SPREAD: Final = 0.08
"""Standard deviation of the logarithm of where a part is really used up, about its rating."""
HALVINGS: Final = 12.0
"""How often a fresh carbon bed here halves free chlorine: all have six minutes and more."""
LEAK_LIMIT_MG_L: Final = 0.1
_DAYS_PER_MONTH: Final = 30.44
_KINDS: Final = {row["code"]: row for row in part_kinds()}


class TrueWear:
    """Daily wear of one treatment unit's parts, from the water it really used; today is the last day."""

    def __init__(self, rng: np.random.Generator, unit: PlannedUnit, use: np.ndarray):
        before = np.full(DAYS_KEPT - len(use), unit.use_gal_per_day)
        self._permeate = np.concatenate([before, use])
        self._feed = self._permeate / unit.size.recovery
        self._supply = unit.site.supply
        ages = range(DAYS_KEPT - 1, -1, -1)
        self._free = np.array([free_chlorine_mg_l(unit.site.supply, age) for age in ages])
        self._clog_gal = unit.use_gal_per_day / unit.size.recovery * float(rng.uniform(*CLOGS_AFTER))

    def age_at(self, kind: str, wear: float, days_ago: int) -> int:
        """Return how old a part taken out so many days ago was, that had then worn so far. [day]"""
        worn_before = [np.cumsum(daily[::-1][days_ago:]) for daily in self._daily(kind)]
        ages = [int(np.searchsorted(worn, wear)) + 1 for worn in worn_before]
        return min(*ages, DAYS_KEPT)

    def clogging(self, installed_days_ago: int, days_ago: int) -> float:
        """Return how far the sediment cartridge had clogged, 1 at its terminal drop. [-]"""
        then = slice(DAYS_KEPT - min(installed_days_ago, DAYS_KEPT), DAYS_KEPT - days_ago)
        return float(self._feed[then].sum() / self._clog_gal)

    def leak_mg_l(self, kind: str, installed_days_ago: int, days_ago: int) -> float:
        """Return the free chlorine behind the carbon then, by the depth law of its worn bed. [mg/L]"""
        then = slice(DAYS_KEPT - min(installed_days_ago, DAYS_KEPT), DAYS_KEPT - days_ago)
        left = HALVINGS - (HALVINGS - 1) * float(self._dose(_KINDS[kind])[then].sum())
        return float(self._free[DAYS_KEPT - days_ago - 1] * 0.5 ** max(left, 0.0))

    def _dose(self, row: dict) -> np.ndarray:
        """Oxidant of each day over what the carbon is rated for. [1/day]"""
        oxidant = self._free + row["chloramine_factor"] * self._supply.chloramine_mg_l
        return self._feed * oxidant / (row["rated_gal"] * row["rating_chlorine_mg_l"])

    def _daily(self, kind: str) -> list[np.ndarray]:
        """Wear of each day by each limit that the part has. [1/day]"""
        row = _KINDS[kind]
        limits = [np.full(DAYS_KEPT, 1 / (row["rated_months"] * _DAYS_PER_MONTH))]
        if row["role"] == "sediment":
            limits.append(self._feed / self._clog_gal)
        if row.get("rated_gal"):
            water = self._permeate if row["role"] == "post_carbon" else self._feed
            limits.append(water / row["rated_gal"])
        if row["role"] in ("carbon", "catalytic_carbon"):
            above = np.log2(np.maximum(self._free / LEAK_LIMIT_MG_L, 1.0))
            limits.append(self._dose(row) * (HALVINGS - 1) / (HALVINGS - above))
        if row["role"] == "antiscale":
            heavier = self._supply.hardness_mg_l / row["rated_hardness_mg_l"]
            limits += [limits[0] * heavier, limits[1] * heavier]
        return limits
