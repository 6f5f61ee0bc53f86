"""One invented treatment unit's life: its parts, its meter, its gauges, its trouble.

The membrane obeys the solution-diffusion picture (flow = permeability × driving pressure, salt carried by
diffusion) with Form 1 of the published temperature factors for thin film, 298/273 as printed.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from scheduling.demo.catalogue import TERMINAL_DROP_PSI
from scheduling.demo.fleet_plan import PlannedUnit
from scheduling.demo.true_wear import LIMIT_SPREAD, TrueWear
from scheduling.demo.water import daily_use, feed_temperature_c, free_chlorine_mg_l

READING_DAYS = 427
"""Fourteen months of readings."""
CLEAN_DROP_PSI = 1.2
CHANGED_AT_WEAR = (0.85, 1.2)
"""How far parts had worn when somebody came and changed them."""
UNKNOWN_REASONS = 0.04
"""Share of parts taken out of which nobody wrote why."""
FAILS_PAST = 1.18
"""A part this far past its own limit was found failed, not only worn."""
_EPOCH = date(1970, 1, 1)
_BACKWARD_TROUBLES = {"meter swapped, not said", "litres for gallons", "slip of the pen"}
"""Here the register really showed less than before; the office said so in the sheet."""


@dataclass
class MachineRows:
    """Rows of every table that one treatment unit fills."""

    parts: list[dict] = field(default_factory=list)
    meters: list[dict] = field(default_factory=list)
    readings: list[dict] = field(default_factory=list)
    gauges: list[dict] = field(default_factory=list)
    flushes: list[dict] = field(default_factory=list)


def live(rng: np.random.Generator, unit: PlannedUnit, today: date) -> MachineRows:
    """Return fourteen months of one treatment unit."""
    rows = MachineRows()
    first = today - timedelta(days=READING_DAYS)
    use = daily_use(rng, unit.site.kind, unit.use_gal_per_day, first, READING_DAYS)
    if unit.trouble == "idle":
        use[-int(rng.integers(24, 60)) :] = 0.0
    if unit.trouble == "out of service":
        use[-int(rng.integers(90, 200)) :] = 0.0
    wear = TrueWear(rng, unit, use)
    _parts(rng, unit, today, rows, wear)
    _meter(rng, unit, use, first, rows)
    _gauges(rng, unit, use, first, rows, wear)
    return rows


def _parts(rng, unit, today, rows, wear):
    """Fill the parts and the flushes that went with them."""
    size, chloraminated = unit.size.code, unit.site.supply.chloramine_mg_l > 1
    plan = [
        ("sediment", f"SED-{size}", 1, "feed"),
        ("carbon", f"CAT-{size}" if chloraminated else f"CAR-{size}", 2, "feed"),
    ]
    if unit.needs_antiscale:
        plan.append(("antiscale", "ANT-1", 3, "feed"))
    plan.append(("membrane", f"MEM-{size}", 4, "permeate"))
    if unit.has_post_carbon:
        plan.append(("post", "POS-1", 5, "permeate"))
    for position, kind, order, water in plan:
        _history(rng, unit, today, rows, wear, position, kind, order, water)


def _history(rng, unit, today, rows, wear, position, kind, order, water):
    """Fill one position: the part in place and those before it, back to the first reading."""
    age = wear.age_at(kind, float(rng.uniform(0.03, 1.02)), 0)
    trouble = unit.trouble
    if position == "carbon" and trouble in ("carbon never flushed", "bedding"):
        age = {"bedding": 1}.get(trouble, int(rng.integers(3, 16)))
    if position == "membrane" and trouble == "storage solution not purged":
        age = 4
    if position == "membrane" and trouble in ("scaling", "oxidised", "fouling"):
        age = int(rng.integers(420, 700))
    if position == "carbon" and trouble == "oxidised":
        age = wear.age_at(kind, 1.35, 0)
    removed, reached = None, 0.0
    while True:
        installed = today - timedelta(days=age)
        row = {
            "treatment_unit": unit.serial,
            "position": position,
            "order": order,
            "water": water,
            "kind": kind,
            "lot": f"L{installed:%y%m}-{int(rng.integers(1, 4))}",
            "installed_at": f"{installed.isoformat()} 10:00",
            "removed_at": f"{removed.isoformat()} 09:45" if removed else None,
            "removal_reason": _reason(rng, reached) if removed else None,
        }
        if position == "sediment":
            row |= {
                "clean_drop_psi": CLEAN_DROP_PSI,
                "clean_drop_flow_gpm": unit.size.permeate_gpm / unit.size.recovery,
            }
        rows.parts.append(row)
        _flush_after_change(rng, unit, rows, position, installed, is_last=removed is None)
        if age > READING_DAYS + 20 or position == "membrane":
            return
        removed, reached = installed, float(rng.uniform(*CHANGED_AT_WEAR))
        age += wear.age_at(kind, reached, age)


def _flush_after_change(rng, unit, rows, position, installed, *, is_last):
    if position not in ("carbon", "membrane"):
        return
    kind = "carbon_fines" if position == "carbon" else "membrane_storage_solution"
    flush = {
        "treatment_unit": unit.serial,
        "position": position,
        "kind": kind,
        "flushed_at": f"{installed.isoformat()} 10:45",
        "volume_gal": round(float(rng.uniform(21, 29)), 1),
        "minutes": 20,
        "ran_clear": True,
    }
    if is_last and position == "carbon" and unit.trouble == "carbon never flushed":
        return
    if is_last and position == "carbon" and unit.trouble == "bedding":
        rows.flushes.append(flush | {"kind": "bed_started", "volume_gal": 20, "ran_clear": False})
        return
    if is_last and position == "membrane" and unit.trouble == "storage solution not purged":
        return
    rows.flushes.append(flush)


def _meter(rng, unit, use, first, rows):
    """Fill the permeate meter and its weekly readings, with the trouble that belongs to it."""
    digits = 6 if unit.trouble == "rollover" else 7
    start = float(rng.uniform(2_000, 90_000))
    total = start + np.concatenate([[0.0], np.cumsum(use)])
    if unit.trouble == "rollover":
        total += 10**6 - total[int(rng.integers(200, 400))]
    serial = f"M{unit.serial[3:]}"
    swap_day = int(rng.integers(120, 380)) if "swapped" in unit.trouble else None
    declared = unit.trouble == "meter swapped"
    meter = {
        "treatment_unit": unit.serial, "water": "permeate", "serial": serial, "measure": "gal",
        "digits": digits, "installed_at": f"{(first - timedelta(days=200)).isoformat()} 09:00",
        "removed_at": None,
    }  # fmt: skip
    rows.meters.append(meter)
    if declared:
        swapped_on = first + timedelta(days=swap_day)
        meter["removed_at"] = f"{swapped_on.isoformat()} 12:00"
        fresh = {**meter, "serial": f"{serial}B", "installed_at": f"{swapped_on.isoformat()} 12:10"}
        rows.meters.append(fresh | {"removed_at": None})
    day = int(rng.integers(0, 7))
    last = len(use) - 70 if unit.trouble == "silent" else len(use)
    odd = int(rng.integers(20, 50))
    step = 0
    while day < last:
        value = total[day]
        name = serial
        if swap_day is not None and day > swap_day:
            value -= total[swap_day + 1]
            name = f"{serial}B" if declared else serial
        value = float(max(value, 0.0)) % 10**digits
        if unit.trouble == "meter stuck" and day > len(use) - 60:
            value = float(total[len(use) - 60]) % 10**digits
        if unit.trouble == "litres for gallons" and step == odd:
            value *= 3.785411784
        if unit.trouble == "slip of the pen" and step == odd:
            value += 40_000
        read_on = (first + timedelta(days=day)).isoformat()
        rows.readings.append(
            {
                "treatment_unit": unit.serial, "water": "permeate", "meter": name,
                "read_at": f"{read_on} {8 + int(rng.integers(0, 9)):02d}:15",
                "total": round(value, 1),
                "accept": "yes" if unit.trouble in _BACKWARD_TROUBLES else None,
            }
        )  # fmt: skip
        day += int(rng.integers(6, 9))
        step += 1


def _gauges(rng, unit, use, first, rows, wear):
    """Fill the gauges, about every two weeks."""
    supply, size = unit.site.supply, unit.size
    conductivity = supply.tds_mg_l / 0.62
    day = int(rng.integers(0, 14))
    last = len(use) - (70 if unit.trouble in ("silent", "out of service") else 0)
    while day < last:
        if use[day] > 0:
            on = first + timedelta(days=day)
            days_ago = len(use) - day
            temperature = float(feed_temperature_c(supply, np.array([float((on - _EPOCH).days)]))[0])
            temperature += float(rng.normal(0, 0.5))
            flow_factor, passage_factor, drop_factor = _condition(unit.trouble, day, len(use))
            pressure = size.feed_pressure_psi + float(rng.normal(0, 2.5))
            feed = conductivity * float(rng.normal(1, 0.02))
            flow, passage, drop = _run(size, pressure, temperature, feed, flow_factor, passage_factor)
            drop *= drop_factor
            noise = rng.normal(1, [0.012, 0.03, 0.03])
            concentrate = flow * (1 - size.recovery) / size.recovery
            clogged = wear.clogging(days_ago + _days_since_change(rows, "sediment", on), days_ago)
            filter_drop = CLEAN_DROP_PSI * (TERMINAL_DROP_PSI / CLEAN_DROP_PSI) ** clogged
            filter_drop *= (flow + concentrate) * size.recovery / size.permeate_gpm
            rows.gauges.append(
                {
                    "treatment_unit": unit.serial,
                    "read_at": f"{on.isoformat()} 11:{int(rng.integers(10, 50))}",
                    "feed_pressure_psi": round(pressure, 1),
                    "concentrate_pressure_psi": round(float(pressure - drop * noise[2]), 1),
                    "permeate_pressure_psi": 4.0,
                    "feed_temperature_c": round(temperature, 1),
                    "feed_conductivity_us_cm": round(feed),
                    "permeate_conductivity_us_cm": round(float(feed * passage * noise[1]), 1),
                    "permeate_flow_gpm": round(float(flow * noise[0]), 3),
                    "concentrate_flow_gpm": round(concentrate, 3),
                    "sediment_inlet_psi": 62.0,
                    "sediment_outlet_psi": round(float(62.0 - filter_drop), 1),
                    "chlorine_after_carbon_mg_l": _leak(unit, days_ago, _carbon_then(rows, on), wear),
                }
            )
        day += int(rng.integers(12, 17))


def _days_since_change(rows: MachineRows, position: str, on: date) -> int:
    """Return how long the cartridge of that day had been in place. [day]"""
    installed = [row["installed_at"][:10] for row in rows.parts if row["position"] == position]
    return min((on - date.fromisoformat(day)).days for day in installed if day <= on.isoformat())


def _carbon_then(rows: MachineRows, on: date) -> tuple[str, int]:
    """Return the kind of carbon of that day and how long it had been in place. [day]"""
    kind = next(row["kind"] for row in rows.parts if row["position"] == "carbon")
    return kind, _days_since_change(rows, "carbon", on)


def _run(size, pressure, temperature, feed_us_cm, flow_factor, passage_factor):
    """Return permeate flow [gpm], salt passage [-] and feed-side drop [psi] of the membrane today."""
    k = 3020.0 if temperature < 25 else 2640.0
    warm = np.exp(k * (1 / 298 - 1 / (273 + temperature)))
    osmotic = 0.0064 * feed_us_cm * np.log(1 / (1 - size.recovery)) / size.recovery
    driving = pressure - 3.0 - 4.0 - osmotic
    standard = size.feed_pressure_psi - 7.0 - 0.0064 * 620 * 1.4
    flow = size.permeate_gpm * warm * driving / standard * flow_factor
    passage = 0.028 * passage_factor * warm * size.permeate_gpm / flow
    drop = 6.0 * (flow / size.permeate_gpm) ** 1.5
    return float(flow), float(min(passage, 0.9)), float(drop)


def _condition(trouble: str, day: int, days: int) -> tuple[float, float, float]:
    """Return what trouble has done by a day: factors on flow, salt passage and pressure drop."""
    healthy = 1 - 0.02 * day / 365
    late = max(0.0, (day - (days - 130)) / 130)
    if trouble == "scaling":
        return healthy * (1 - 0.26 * late), 1 + 0.55 * late, 1 + 0.55 * late
    if trouble == "oxidised":
        return healthy * (1 + 0.22 * late), 1 + 1.6 * late, 1.0
    if trouble == "fouling":
        return healthy * (1 - 0.2 * late), 1.0, 1 + 0.75 * late
    return healthy, 1.0, 1.0


def _leak(unit: PlannedUnit, days_ago: int, carbon: tuple[str, int], wear: TrueWear) -> float | None:
    """Return what a strip shows behind the carbon, None where there is no chlorine to look for. [mg/L]"""
    if unit.trouble == "oxidised" and days_ago < 140:
        return 0.25
    if free_chlorine_mg_l(unit.site.supply, days_ago) == 0:
        return None
    kind, in_place = carbon
    return round(wear.leak_mg_l(kind, days_ago + in_place, days_ago), 2)


def _reason(rng, reached: float) -> str:
    """Say why a part came out that had worn so far: worn or failed only past its own true limit."""
    if rng.random() < UNKNOWN_REASONS:
        return "unknown"
    limit = float(rng.lognormal(0, LIMIT_SPREAD))
    if reached < limit:
        return "early"
    return "failed" if reached > limit * FAILS_PAST else "worn"
