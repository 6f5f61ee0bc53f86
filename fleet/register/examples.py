"""An invented catalogue to begin with. Ratings are of the usual size for such parts (*common practice*).

Names and figures are no maker's; whoever buys real parts puts the maker's ratings in.
"""

from typing import Any, Final

_SEDIMENT: Final = {"role": "sediment", "rated_months": 6, "terminal_drop_psi": 15, "change_minutes": 10}
_CARBON: Final = {
    "role": "carbon", "rated_months": 14, "shelf_life_months": 36, "rating_chlorine_mg_l": 2.0,
    "chloramine_factor": 2.5, "needs_flush": True, "flush_gal": 25, "flush_gpm": 1.25, "change_minutes": 20,
}  # fmt: skip
_MEMBRANE: Final = {
    "role": "membrane", "membrane_type": "polyamide", "rated_months": 42, "shelf_life_months": 36,
    "oxidant_tolerance_mg_h_l": 600, "rated_hardness_mg_l": 280, "temperature_k_below_25": 3020,
    "temperature_k_from_25": 2640, "needs_flush": True, "flush_gal": 25, "flush_gpm": 1.25,
    "change_minutes": 35,
}  # fmt: skip
EXAMPLE_KINDS: Final[tuple[dict[str, Any], ...]] = (
    {"code": "EX-SED-S", "name": "Sediment cartridge, small (invented)", "rated_flow_gpm": 1.8,
     "cost": "4.50", "price": "14.00", **_SEDIMENT},
    {"code": "EX-CAR-S", "name": "Carbon pre-filter, small (invented)", "rated_gal": 60_000,
     "bed_volume_ft3": 0.35, "rated_flow_gpm": 1.35, "cost": "31.00", "price": "74.00", **_CARBON},
    {"code": "EX-MEM-S", "name": "Membrane element, small (invented)", "rated_permeate_gal_per_day": 650,
     "cost": "96.00", "price": "215.00", **_MEMBRANE},
    {"code": "EX-SED-M", "name": "Sediment cartridge, medium (invented)", "rated_flow_gpm": 4.0,
     "cost": "7.60", "price": "23.80", **_SEDIMENT},
    {"code": "EX-CAR-M", "name": "Carbon pre-filter, medium (invented)", "rated_gal": 160_000,
     "bed_volume_ft3": 0.91, "rated_flow_gpm": 3.0, "cost": "52.70", "price": "125.80", **_CARBON},
    {"code": "EX-MEM-M", "name": "Membrane element, medium (invented)", "rated_permeate_gal_per_day": 1600,
     "cost": "163.20", "price": "365.50", **_MEMBRANE},
    {"code": "EX-POST", "name": "Post carbon cartridge (invented)", "role": "post_carbon",
     "rated_gal": 260_000, "rated_months": 12, "rating_chlorine_mg_l": 2.0, "change_minutes": 8,
     "cost": "9.50", "price": "24.00"},
)  # fmt: skip
_MAKE_UP: Final = {
    "has_electric_inlet_valve": True, "has_pump": True, "has_tank": True, "has_softener": False,
    "has_uv": False,
}  # fmt: skip
EXAMPLE_MODELS: Final[tuple[dict[str, Any], ...]] = (
    {
        "code": "EX-S", "name": "Small, 650 gal/day (invented)", "design_recovery": 0.5,
        "design_use_gal_per_day": 240.0, "design_permeate_gpm": 0.45, **_MAKE_UP,
        "positions": (("sediment", "feed", "EX-SED-S"), ("carbon", "feed", "EX-CAR-S"),
                      ("membrane", "permeate", "EX-MEM-S"), ("post-carbon", "permeate", "EX-POST")),
    },
    {
        "code": "EX-M", "name": "Medium, 1,600 gal/day (invented)", "design_recovery": 0.55,
        "design_use_gal_per_day": 620.0, "design_permeate_gpm": 1.1, **_MAKE_UP,
        "positions": (("sediment", "feed", "EX-SED-M"), ("carbon", "feed", "EX-CAR-M"),
                      ("membrane", "permeate", "EX-MEM-M")),
    },
)  # fmt: skip
