"""An invented catalogue. Ratings are of the usual size for such parts (*common practice*), no maker's."""

from dataclasses import dataclass


@dataclass(frozen=True)
class UnitSize:
    """A size of treatment unit: flow when running, recovery, pressure, and which parts fit."""

    code: str
    permeate_gpm: float
    recovery: float
    feed_pressure_psi: float
    serves_gal_per_day: float
    carbon_gal: float
    plan_price: int


SIZES = [
    UnitSize("S", 0.45, 0.50, 95, 240, 60_000, 49),
    UnitSize("M", 1.10, 0.55, 125, 620, 160_000, 89),
    UnitSize("L", 2.20, 0.60, 150, 1500, 360_000, 149),
]

TERMINAL_DROP_PSI = 15
_SEDIMENT = {"rated_months": 6, "terminal_drop_psi": TERMINAL_DROP_PSI, "change_minutes": 10}
_CARBON = {
    "rated_months": 14,
    "shelf_life_months": 36,
    "rating_chlorine_mg_l": 2.0,
    "needs_flush": True,
    "flush_gal": 25,
    "flush_gpm": 1.25,
    "change_minutes": 20,
}
_MEMBRANE = {
    "rated_months": 42,
    "shelf_life_months": 36,
    "oxidant_tolerance_mg_h_l": 600,
    "membrane_type": "polyamide",
    "rated_hardness_mg_l": 280,
    "temperature_k_below_25": 3020,
    "temperature_k_from_25": 2640,
    "needs_flush": True,
    "flush_gal": 25,
    "flush_gpm": 1.25,
    "change_minutes": 35,
}


def part_kinds() -> list[dict]:
    """Return the catalogue's rows, named like the columns of the table."""
    rows = []
    for size in SIZES:
        scale = {"S": 1.0, "M": 1.7, "L": 2.6}[size.code]
        rows += [
            {
                "code": f"SED-{size.code}", "name": f"Sediment cartridge {size.code}", "role": "sediment",
                "rated_flow_gpm": size.permeate_gpm / size.recovery * 2,
                "cost": round(4.5 * scale, 2), "price": round(14 * scale, 2), **_SEDIMENT,
            },
            {
                "code": f"CAR-{size.code}", "name": f"Carbon pre-filter {size.code}", "role": "carbon",
                "rated_gal": size.carbon_gal, "chloramine_factor": 2.5,
                "bed_volume_ft3": round(0.8 * scale**1.8, 2),
                "rated_flow_gpm": round(size.permeate_gpm / size.recovery * 1.5, 2),
                "cost": round(31 * scale, 2), "price": round(74 * scale, 2), **_CARBON,
            },
            {
                "code": f"CAT-{size.code}", "name": f"Catalytic carbon pre-filter {size.code}",
                "role": "catalytic_carbon", "rated_gal": size.carbon_gal * 0.9, "chloramine_factor": 1.1,
                "bed_volume_ft3": round(0.8 * scale**1.8, 2),
                "rated_flow_gpm": round(size.permeate_gpm / size.recovery * 1.5, 2),
                "cost": round(44 * scale, 2), "price": round(98 * scale, 2), **_CARBON,
            },
            {
                "code": f"MEM-{size.code}", "name": f"Membrane element {size.code}", "role": "membrane",
                "rated_permeate_gal_per_day": round(size.permeate_gpm * 1440),
                "cost": round(96 * scale, 2), "price": round(215 * scale, 2), **_MEMBRANE,
            },
        ]  # fmt: skip
    rows.append(
        {
            "code": "ANT-1", "name": "Anti-scale cartridge", "role": "antiscale", "rated_gal": 420_000,
            "rated_months": 12, "rated_hardness_mg_l": 400, "change_minutes": 10,
            "cost": 28.00, "price": 66.00,
        }
    )  # fmt: skip
    rows.append(
        {
            "code": "POS-1", "name": "Post carbon cartridge", "role": "post_carbon", "rated_gal": 260_000,
            "rated_months": 12, "rating_chlorine_mg_l": 2.0, "needs_flush": False, "change_minutes": 8,
            "cost": 9.50, "price": 24.00,
        }
    )  # fmt: skip
    return rows
