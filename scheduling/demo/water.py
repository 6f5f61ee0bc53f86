"""How the invented water and its users behave: seasons, chlorine over time, use day by day."""

from datetime import date, timedelta

import numpy as np

from scheduling.demo.county import SiteKind, Supply

SURGE_SUPPLY = "EAS"
SURGE_BEGAN_DAYS_AGO = 75
SURGE_FREE_CHLORINE_MG_L = 3.4
"""The supplier raised its dose 75 days ago and did not tell."""


def feed_temperature_c(supply: Supply, days: np.ndarray) -> np.ndarray:
    """Return the feed temperature on days since 1970; coldest at the end of January. [°C]"""
    phase = 2 * np.pi * (days - 27.0) / 365.25
    return supply.mean_temperature_c - supply.temperature_swing_c * np.cos(phase)


def free_chlorine_mg_l(supply: Supply, days_ago: float) -> float:
    """Return what the supply carried so long ago. [mg/L]"""
    if supply.code == SURGE_SUPPLY and days_ago <= SURGE_BEGAN_DAYS_AGO:
        return SURGE_FREE_CHLORINE_MG_L
    return supply.free_chlorine_mg_l


def daily_use(
    rng: np.random.Generator, kind: SiteKind, mean_gal_per_day: float, first: date, count: int
) -> np.ndarray:
    """Return the permeate a site draws on each day. [gal/day]"""
    days = [first + timedelta(days=i) for i in range(count)]
    weekend = np.array([day.weekday() >= 5 for day in days])
    day_of_year = np.array([day.timetuple().tm_yday for day in days])
    season = 1 + (kind.summer_factor - 1) * 0.5 * (1 - np.cos(2 * np.pi * (day_of_year - 15) / 365.25))
    level = np.where(weekend, kind.weekend_factor, 1.0)
    level = level / ((5 + 2 * kind.weekend_factor) / 7)
    slow = np.exp(np.cumsum(rng.normal(0, 0.012, count)) * 0.35)
    return mean_gal_per_day * season * level * slow * rng.lognormal(-0.02, 0.2, count)


def test_rows(rng: np.random.Generator, supply: Supply, today: date, months: int) -> list[dict]:
    """Return a feed test every two months, and one in the surge where the supply had one."""
    ages = [30.4 * m + float(rng.uniform(0, 9)) for m in range(months, -1, -2)]
    if supply.code == SURGE_SUPPLY:
        ages = [age for age in ages if age > SURGE_BEGAN_DAYS_AGO] + [70.0, 38.0, 9.0]
    rows = []
    for age in ages:
        day = today - timedelta(days=int(age))
        at_d = float((day - date(1970, 1, 1)).days)
        rows.append(
            {
                "supply": supply.code,
                "sampled_at": f"{day.isoformat()} 09:30",
                "free_chlorine_mg_l": round(free_chlorine_mg_l(supply, age) * rng.uniform(0.92, 1.08), 2),
                "chloramine_mg_l": round(supply.chloramine_mg_l * rng.uniform(0.92, 1.08), 2),
                "hardness_mg_l": round(supply.hardness_mg_l * rng.uniform(0.95, 1.05)),
                "calcium_hardness_mg_l": round(supply.hardness_mg_l * 0.7),
                "alkalinity_mg_l": round(supply.alkalinity_mg_l * rng.uniform(0.96, 1.04)),
                "tds_mg_l": round(supply.tds_mg_l * rng.uniform(0.95, 1.05)),
                "conductivity_us_cm": round(supply.tds_mg_l / 0.62),
                "ph": round(supply.ph + float(rng.normal(0, 0.05)), 2),
                "temperature_c": round(float(feed_temperature_c(supply, np.array([at_d]))[0]), 1),
                "silica_mg_l": supply.silica_mg_l,
            }
        )
    return rows
