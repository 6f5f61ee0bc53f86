"""Which invented treatment unit stands where, of what size, and with which trouble."""

from dataclasses import dataclass

import numpy as np

from scheduling.demo.catalogue import SIZES, UnitSize
from scheduling.demo.county import MARK, NAMES, SITE_KINDS, SUPPLIES, TOWNS, SiteKind, Supply, position

SITES = 180
TREATMENT_UNITS = 250
TROUBLES = {
    "meter swapped, not said": 4,
    "meter swapped": 6,
    "rollover": 4,
    "meter stuck": 3,
    "litres for gallons": 3,
    "slip of the pen": 4,
    "scaling": 3,
    "oxidised": 2,
    "fouling": 3,
    "carbon never flushed": 4,
    "bedding": 1,
    "storage solution not purged": 1,
    "idle": 5,
    "silent": 4,
    "out of service": 2,
}
"""How many treatment units have each trouble. Cold winters and the surge of one supply touch many."""


@dataclass(frozen=True)
class PlannedSite:
    """A site to be."""

    code: str
    name: str
    customer_code: str
    kind: SiteKind
    supply: Supply
    town: str
    latitude: float
    longitude: float


@dataclass(frozen=True)
class PlannedUnit:
    """A treatment unit to be."""

    serial: str
    site: PlannedSite
    size: UnitSize
    use_gal_per_day: float
    trouble: str
    needs_antiscale: bool
    has_post_carbon: bool


def plan_sites(rng: np.random.Generator) -> tuple[list[dict], list[PlannedSite]]:
    """Return customers and sites. A few customers have several sites."""
    supplies = {supply.code: supply for supply in SUPPLIES}
    town_weights = np.array([t.weight for t in TOWNS])
    kind_weights = np.array([k.weight for k in SITE_KINDS])
    customers: list[dict] = []
    sites: list[PlannedSite] = []
    used: set[str] = set()
    for number in range(1, SITES + 1):
        town = TOWNS[rng.choice(len(TOWNS), p=town_weights / town_weights.sum())]
        kind = SITE_KINDS[rng.choice(len(SITE_KINDS), p=kind_weights / kind_weights.sum())]
        is_rural = rng.random() < 0.18
        spread = 9.0 if is_rural else 1.8
        latitude, longitude = position(
            town.east_km + rng.normal(0, spread), town.north_km + rng.normal(0, spread)
        )
        supply = supplies["WEL"] if is_rural and rng.random() < 0.55 else supplies[town.supply]
        name = _fresh_name(rng, kind, town.name, used)
        if customers and rng.random() < 0.14:
            customer = customers[int(rng.integers(len(customers)))]
        else:
            code = f"K{len(customers) + 1:03d}"
            customer = {
                "code": code,
                "name": f"{name} ({MARK})",
                "email": f"{code.lower()}@example.invalid",
                "phone": f"555-01{len(customers) % 100:02d}",
            }
            customers.append(customer)
        sites.append(
            PlannedSite(
                f"S{number:03d}", name, customer["code"], kind, supply, town.name, latitude, longitude
            )
        )
    return customers, sites


def plan_units(rng: np.random.Generator, sites: list[PlannedSite]) -> list[PlannedUnit]:
    """Return the treatment units: one per site, a second or third at busy sites."""
    places = list(range(len(sites)))
    busy = [i for i in places if sites[i].kind.name in ("greenhouse", "brewhouse", "school", "workshop")]
    places += [int(i) for i in rng.choice(busy, TREATMENT_UNITS - len(sites), replace=True)]
    places.sort()
    share = {i: places.count(i) for i in places}
    troubles = _deal_troubles(rng, len(places), [sites[i] for i in places])
    units = []
    for number, place in enumerate(places, start=1):
        site = sites[place]
        use = site.kind.use_gal_per_day / share[place] ** 0.7 * rng.lognormal(0, 0.3)
        fitting = [size for size in SIZES if use <= size.serves_gal_per_day]
        size = fitting[0] if fitting else SIZES[-1]
        units.append(
            PlannedUnit(
                serial=f"TU-{1000 + number}",
                site=site,
                size=size,
                use_gal_per_day=float(min(use, size.serves_gal_per_day)),
                trouble=troubles[number - 1],
                needs_antiscale=site.supply.hardness_mg_l > 300 and troubles[number - 1] != "scaling",
                has_post_carbon=site.kind.name in ("café", "home", "office", "brewhouse"),
            )
        )
    return units


def _deal_troubles(rng: np.random.Generator, count: int, sites: list[PlannedSite]) -> list[str]:
    troubles = [""] * count
    wells = [i for i in range(count) if sites[i].supply.kind == "well"]
    order = [int(i) for i in rng.permutation(count)]
    for trouble, wanted in TROUBLES.items():
        pool = wells if trouble == "scaling" else order
        free = [i for i in pool if not troubles[i]]
        if trouble in ("oxidised", "carbon never flushed"):
            free = [i for i in free if sites[i].supply.free_chlorine_mg_l > 0]
        for i in free[:wanted]:
            troubles[i] = trouble
    return troubles


def _fresh_name(rng: np.random.Generator, kind: SiteKind, town: str, used: set[str]) -> str:
    while True:
        name = f"{rng.choice(NAMES)} {rng.choice(kind.words)}, {town}"
        if name not in used:
            used.add(name)
            return name
