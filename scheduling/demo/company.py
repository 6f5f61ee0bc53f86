"""The invented company as sheets: what its office would hold in a spreadsheet."""

from datetime import date, timedelta

import numpy as np

from scheduling.demo import county, machine
from scheduling.demo.catalogue import part_kinds
from scheduling.demo.fleet_plan import PlannedSite, PlannedUnit, plan_sites, plan_units
from scheduling.demo.water import test_rows
from shared.periods import add_months

SEED = 20261125
BRANCH = "corvane"


def company_sheets(today: date, seed: int = SEED) -> dict[str, list[dict]]:
    """Return every sheet of the invented company as of a day. Same day and seed, same rows."""
    rng = np.random.default_rng(seed)
    customers, sites = plan_sites(rng)
    units = plan_units(rng, sites)
    lives = [machine.live(rng, unit, today) for unit in units]
    latitude, longitude = county.position(0.5, 0.5)
    return {
        "branches": [
            {
                "code": BRANCH, "name": f"Corvane depot ({county.MARK})", "time_zone": county.TIME_ZONE,
                "latitude": latitude, "longitude": longitude,
            }
        ],
        "customers": customers,
        "supplies": [{"code": s.code, "name": s.name, "kind": s.kind} for s in county.SUPPLIES],
        "feed_tests": [row for s in county.SUPPLIES for row in test_rows(rng, s, today, 15)]
        + _well_tests(rng, sites, today),
        "sites": [_site_row(site) for site in sites],
        "access_hours": _access_hours(rng, sites),
        "catalogue": part_kinds(),
        "treatment_units": [_unit_row(rng, unit, today) for unit in units],
        "meters": [row for life in lives for row in life.meters],
        "parts": [row for life in lives for row in life.parts],
        "flushes": [row for life in lives for row in life.flushes],
        "meter_readings": [row for life in lives for row in life.readings],
        "performance_readings": [row for life in lives for row in life.gauges],
        "technicians": _technicians(today),
        "absences": [_absence(today)],
        "plans": _plans(rng, units, today),
    }  # fmt: skip


def _site_row(site: PlannedSite) -> dict:
    return {
        "code": site.code, "name": site.name, "customer": site.customer_code, "branch": BRANCH,
        "supply": site.supply.code, "area": site.town, "latitude": site.latitude,
        "longitude": site.longitude, "time_zone": county.TIME_ZONE, "kind": site.kind.name,
    }  # fmt: skip


def _unit_row(rng: np.random.Generator, unit: PlannedUnit, today: date) -> dict:
    is_out = unit.trouble == "out of service"
    return {
        "serial": unit.serial, "label": str(rng.choice(["plant room", "cellar", "kitchen", "yard shed"])),
        "site": unit.site.code,
        "commissioned_on": (today - timedelta(days=int(rng.integers(450, 1500)))).isoformat(),
        "design_recovery": unit.size.recovery,
        "design_use_gal_per_day": round(unit.use_gal_per_day * float(rng.uniform(0.8, 1.25))),
        "design_permeate_gpm": unit.size.permeate_gpm, "idle_limit_days": 21,
        "has_electric_inlet_valve": True, "has_pump": True, "has_tank": True, "has_softener": False,
        "has_uv": False, "is_out_of_service": is_out,
        "out_of_service_reason": "site is being rebuilt" if is_out else "",
    }  # fmt: skip


def _well_tests(rng: np.random.Generator, sites: list[PlannedSite], today: date) -> list[dict]:
    """Return a test of its own for most wells; the rest lean on the ridge's figures."""
    rows = []
    for site in sites:
        if site.supply.kind != "well" or rng.random() < 0.2:
            continue
        for age in (400, int(rng.integers(30, 200))):
            hardness = round(float(site.supply.hardness_mg_l * rng.uniform(0.8, 1.35)))
            rows.append(
                {
                    "site": site.code,
                    "sampled_at": f"{(today - timedelta(days=age)).isoformat()} 10:00",
                    "free_chlorine_mg_l": 0.0,
                    "hardness_mg_l": hardness,
                    "calcium_hardness_mg_l": round(hardness * 0.72),
                    "alkalinity_mg_l": round(hardness * 0.8),
                    "tds_mg_l": round(hardness * 1.9),
                    "ph": 7.5,
                    "iron_mg_l": round(float(rng.uniform(0.02, 0.12)), 2),
                    "temperature_c": 11.0,
                }
            )
    return rows


def _access_hours(rng: np.random.Generator, sites: list[PlannedSite]) -> list[dict]:
    """Return the hours of the third of sites that are not open all day: mornings, afternoons, some days."""
    rows = []
    for site in sites:
        draw = rng.random()
        if draw > 0.33:
            continue
        opens, closes = ("08:00", "12:30") if draw < 0.14 else ("12:00", "17:00")
        weekdays = range(5) if draw < 0.25 else (0, 2, 4)
        rows += [
            {"site": site.code, "weekday": weekday, "opens_at": opens, "closes_at": closes}
            for weekday in weekdays
        ]
    return rows


def _technicians(today: date) -> list[dict]:
    """Return the technicians; one works at weekends, too, when the demo is opened at one."""
    rows = []
    for code, name, east_km, north_km in county.TECHNICIANS:
        weekend = ("Sat" if today.weekday() == 5 else "Sun") if code == "ines" and today.weekday() > 4 else ""
        latitude, longitude = county.position(east_km, north_km)
        rows.append(
            {
                "code": code, "name": name, "branch": BRANCH, "start_latitude": latitude,
                "start_longitude": longitude, "cost_per_hour": "38.00",
                "weekdays": "Mon Tue Wed" if code == "mina" else f"Mon Tue Wed Thu Fri {weekend}",
                "shift_starts_at": "08:00", "shift_ends_at": "16:30", "lunch_minutes": 30,
            }
        )  # fmt: skip
    return rows


def _absence(today: date) -> dict:
    next_tuesday = today + timedelta(days=(1 - today.weekday()) % 7 + 7)
    return {"technician": "odd", "first_on": next_tuesday.isoformat(), "last_on": next_tuesday.isoformat(),
            "reason": "training"}  # fmt: skip


def _plans(rng: np.random.Generator, units: list[PlannedUnit], today: date) -> list[dict]:
    """Return a plan for nearly every treatment unit; a few dearer since spring, a few ended."""
    rows = []
    month = today.replace(day=1)
    for number, unit in enumerate(units, start=1):
        draw = rng.random()
        if draw < 0.04:
            continue
        started = add_months(month, -int(rng.integers(2, 34)))
        interval = "month" if draw < 0.72 else "quarter" if draw < 0.88 else "year"
        times = {"month": 1, "quarter": 3, "year": 12}[interval]
        price = unit.size.plan_price * times * (0.95 if interval == "year" else 1)
        plan = {
            "code": f"P{number:04d}", "name": f"Care {unit.size.code}", "site": unit.site.code,
            "treatment_unit": unit.serial, "interval": interval, "visit_every_months": 12,
            "includes_parts": bool(draw < 0.8), "starts_on": started.isoformat(), "ends_on": None,
            "renews_on": _next_anniversary(started, today).isoformat(), "price": f"{price:.2f}",
            "price_from_on": started.isoformat(),
        }  # fmt: skip
        if draw > 0.97:
            plan["ends_on"] = add_months(month, -int(rng.integers(0, 2))).isoformat()
            plan["starts_on"] = plan["price_from_on"] = add_months(month, -20).isoformat()
        rows.append(plan)
        raised = add_months(month, -5)
        if 0.1 < draw < 0.35 and started < raised:
            rows.append(plan | {"price": f"{price * 1.06:.2f}", "price_from_on": raised.isoformat()})
    return rows


def _next_anniversary(started: date, today: date) -> date:
    month = started
    while month <= today:
        month = add_months(month, 12)
    return month
