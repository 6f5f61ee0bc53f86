"""An invented county, its water supplies, sites and people. Nothing here exists."""

from dataclasses import dataclass

import numpy as np

MARK = "invented"
"""Stands in every demo customer's and supply's name, so that nobody takes it for real."""
CENTRE_LATITUDE, CENTRE_LONGITUDE = 41.05, -98.30
TIME_ZONE = "America/Chicago"


@dataclass(frozen=True)
class Town:
    """A town of the invented county: where it lies from the centre, and how much of the trade is there."""

    name: str
    east_km: float
    north_km: float
    weight: float
    supply: str


@dataclass(frozen=True)
class Supply:
    """A water supply: what its feed is like, and how its temperature swings over the year."""

    code: str
    name: str
    kind: str
    free_chlorine_mg_l: float
    chloramine_mg_l: float
    hardness_mg_l: float
    alkalinity_mg_l: float
    tds_mg_l: float
    ph: float
    mean_temperature_c: float
    temperature_swing_c: float
    silica_mg_l: float = 14.0


@dataclass(frozen=True)
class SiteKind:
    """A kind of site: what it uses, on which days, and how it swings."""

    name: str
    weight: float
    use_gal_per_day: float
    weekend_factor: float
    summer_factor: float
    words: tuple[str, ...]


TOWNS = [
    Town("Corvane", 0, 0, 0.30, "COR"),
    Town("Little Hask", -19, 9, 0.10, "COR"),
    Town("Eastfold", 24, 4, 0.16, "EAS"),
    Town("Merrowby", 12, -23, 0.12, "MER"),
    Town("Tannick", -26, -14, 0.10, "MER"),
    Town("Oxley Bend", 5, 27, 0.10, "OXL"),
    Town("Quill Ridge", -9, -30, 0.05, "MER"),
    Town("Farrow", 33, -16, 0.07, "EAS"),
]
SUPPLIES = [
    Supply("COR", f"Corvane waterworks ({MARK})", "utility", 1.1, 0.0, 165, 140, 390, 7.7, 12.5, 8.5),
    Supply("EAS", f"Eastfold waterworks ({MARK})", "utility", 0.9, 0.0, 145, 120, 350, 7.6, 13.0, 9.0),
    Supply("MER", f"Merrow valley district ({MARK})", "utility", 0.1, 2.2, 190, 150, 430, 7.9, 12.0, 7.5),
    Supply("OXL", f"Oxley springs ({MARK})", "utility", 0.5, 0.0, 105, 95, 260, 7.4, 10.5, 3.0),
    Supply("WEL", f"Wells on the ridge ({MARK})", "well", 0.0, 0.0, 330, 260, 640, 7.5, 11.0, 1.5, 22.0),
]
SITE_KINDS = [
    SiteKind("café", 0.24, 210, 1.15, 1.10, ("Café", "Coffee House", "Bakery", "Tea Room")),
    SiteKind("office", 0.16, 160, 0.15, 1.00, ("Office", "Studio", "Print Shop")),
    SiteKind("school", 0.10, 380, 0.05, 0.45, ("School", "College", "Nursery School")),
    SiteKind("greenhouse", 0.12, 720, 0.95, 1.60, ("Greenhouse", "Plant Nursery", "Orchid House")),
    SiteKind("workshop", 0.16, 300, 0.30, 1.00, ("Workshop", "Plating Shop", "Car Wash")),
    SiteKind("brewhouse", 0.10, 640, 0.60, 1.20, ("Brewhouse", "Cider House")),
    SiteKind("home", 0.12, 95, 1.20, 1.15, ("House", "Farmhouse")),
]
NAMES = [
    "Alder",
    "Amber",
    "Aster",
    "Birch",
    "Bramble",
    "Brook",
    "Cedar",
    "Clover",
    "Copper",
    "Crane",
    "Dapple",
    "Ember",
    "Fennel",
    "Fern",
    "Finch",
    "Flint",
    "Garnet",
    "Hazel",
    "Heron",
    "Holly",
    "Iris",
    "Ivy",
    "Juniper",
    "Kestrel",
    "Larch",
    "Lark",
    "Linden",
    "Marble",
    "Maple",
    "Meadow",
    "Mill",
    "Moss",
    "Nettle",
    "Oak",
    "Otter",
    "Pebble",
    "Pine",
    "Plover",
    "Quartz",
    "Raven",
    "Reed",
    "Rowan",
    "Rush",
    "Saffron",
    "Sage",
    "Slate",
    "Sorrel",
    "Spruce",
    "Swift",
    "Tansy",
    "Thistle",
    "Topaz",
    "Vale",
    "Violet",
    "Wicker",
    "Willow",
    "Wren",
    "Yarrow",
]
TECHNICIANS = [
    ("ines", "Ines Varga", 0.5, 1.0),
    ("tomas", "Tomas Ekeli", 22.0, 3.0),
    ("ruth", "Ruth Abara", 10.0, -21.0),
    ("odd", "Odd Lindqvar", -22.0, -10.0),
    ("mina", "Mina Castell", 4.0, 20.0),
]


def position(east_km: float, north_km: float) -> tuple[float, float]:
    """Return latitude and longitude of a place in the invented county. [degrees]"""
    latitude = CENTRE_LATITUDE + north_km / 111.2
    longitude = CENTRE_LONGITUDE + east_km / (111.2 * np.cos(np.radians(CENTRE_LATITUDE)))
    return round(float(latitude), 5), round(float(longitude), 5)
