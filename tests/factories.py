"""Plain functions that make one valid thing with sensible defaults. Give what the test is about by name."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from itertools import count

from fleet.models import (
    Branch,
    Cartridge,
    Customer,
    FeedTest,
    Finding,
    FindingKind,
    Flush,
    Membrane,
    Meter,
    MeterReading,
    Part,
    PartKind,
    PerformanceReading,
    Person,
    Position,
    ReadingSource,
    Site,
    SupplyKind,
    TreatmentUnit,
    UnitModel,
    WaterSupply,
)
from scheduling.models import (
    OrderKind,
    PlanPrice,
    ProposalState,
    Route,
    RouteProposal,
    ServicePlan,
    Shift,
    StockLevel,
    StockPlace,
    Stop,
    StopOrder,
    Technician,
    WorkOrder,
)
from shared.measures import Measure, gal_per

NOW = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
"""The standing moment of the tests; the same as the fixture ``now``."""
TODAY = NOW.date()
_numbers = count(1)

CARBON = {
    "role": "carbon", "rated_gal": 7500, "rated_months": 12, "rating_chlorine_mg_l": 2.0,
    "chloramine_factor": 4.0, "bed_volume_ft3": 0.12, "rated_flow_gpm": 1.0, "needs_flush": True,
    "flush_gal": 20, "flush_gpm": 1.0,
    "cost": Decimal("14.00"), "price": Decimal("38.00"),
}  # fmt: skip
SEDIMENT = {
    "role": "sediment", "rated_months": 6, "rated_flow_gpm": 5.0, "terminal_drop_psi": 12,
    "cost": Decimal("6.00"), "price": Decimal("18.00"),
}  # fmt: skip
MEMBRANE = {
    "role": "membrane", "membrane_type": "polyamide", "rated_months": 36, "rated_hardness_mg_l": 170,
    "oxidant_tolerance_mg_h_l": 1000, "rated_permeate_gal_per_day": 600, "temperature_k_below_25": 3020,
    "temperature_k_from_25": 2640, "needs_flush": True, "flush_gal": 30, "change_minutes": 45,
    "cost": Decimal("120.00"), "price": Decimal("260.00"),
}  # fmt: skip
POST_CARBON = {**CARBON, "role": "post_carbon", "rated_gal": 3000, "rated_months": 12}


def number() -> int:
    """Return a number nobody had before."""
    return next(_numbers)


def branch(**given) -> Branch:
    """A depot."""
    n = number()
    defaults = {"code": f"depot-{n}", "name": f"Depot {n}", "latitude": 41.0, "longitude": -93.0}
    return Branch.objects.create(**defaults | given)


def person(role: str, *, username: str = "", password: str = "", **given) -> Person:
    """Someone of a role; without a password use ``client.force_login``."""
    made = Person(username=username or f"{role}-{number()}", role=role, **given)
    made.set_password(password or None)
    made.save()
    return made


def customer(**given) -> Customer:
    """Who pays."""
    n = number()
    return Customer.objects.create(**{"code": f"C{n:04d}", "name": f"Customer {n}"} | given)


def supply(**given) -> WaterSupply:
    """A utility."""
    n = number()
    defaults = {"code": f"S{n:04d}", "name": f"Supply {n}", "kind": SupplyKind.UTILITY}
    return WaterSupply.objects.create(**defaults | given)


def site(**given) -> Site:
    """A site with a customer, a branch and a supply of its own unless given."""
    n = number()
    for name, make in (("customer", customer), ("branch", branch), ("supply", supply)):
        if name not in given:
            given[name] = make()
    defaults = {
        "code": f"T{n:04d}", "name": f"Site {n}", "address": f"{n} Mill Road", "area": "Northfield",
        "latitude": 41.0 + n % 50 / 500, "longitude": -93.0 - n % 70 / 500,
    }  # fmt: skip
    return Site.objects.create(**defaults | given)


def feed_test(**given) -> FeedTest:
    """A test of a site (or give ``supply``): chlorinated, rather hard."""
    if "supply" not in given and "site" not in given:
        given["site"] = site()
    defaults = {
        "sampled_at": NOW - timedelta(days=200), "recorded_at": NOW - timedelta(days=199),
        "free_chlorine_mg_l": 1.2, "hardness_mg_l": 210, "alkalinity_mg_l": 150, "tds_mg_l": 380,
        "conductivity_us_cm": 640, "ph": 7.4, "temperature_c": 14,
    }  # fmt: skip
    return FeedTest.objects.create(**defaults | given)


def treatment_unit(**given) -> TreatmentUnit:
    """A bare treatment unit: no position, no meter."""
    n = number()
    if "site" not in given:
        given["site"] = site()
    defaults = {
        "serial": f"RO-{n:05d}", "label": "plant room", "commissioned_on": TODAY - timedelta(days=500),
        "design_recovery": 0.5, "design_use_gal_per_day": 20, "design_permeate_gpm": 0.35,
    }  # fmt: skip
    return TreatmentUnit.objects.create(**defaults | given)


def position(unit: TreatmentUnit, code: str, order: int, water: str = "feed") -> Position:
    """A place for a part."""
    return Position.objects.create(treatment_unit=unit, code=code, order=order, water=water)


def part_kind(**given) -> PartKind:
    """A line of the catalogue: a carbon cartridge unless given otherwise, e.g. ``**MEMBRANE``."""
    n = number()
    return PartKind.objects.create(
        **{"code": f"K{n:04d}", "name": f"Part kind {n}"} | CARBON | _blanks(given)
    )


def unit_model(**given) -> UnitModel:
    """A model of treatment unit without positions."""
    n = number()
    defaults = {
        "code": f"M{n:04d}", "name": f"Model {n}", "design_use_gal_per_day": 20, "design_permeate_gpm": 0.35
    }  # fmt: skip
    return UnitModel.objects.create(**defaults | given)


def _blanks(given: dict) -> dict:
    """Take carbon's ratings away from another role that does not state its own."""
    if given.get("role", "carbon") == "carbon":
        return given
    return {**{name: None for name in CARBON if name.startswith(("rat", "chlo", "bed"))},
            "needs_flush": False, "flush_gal": None, "flush_gpm": None, **given}  # fmt: skip


def part(where: Position, kind: PartKind | None = None, **given) -> Part:
    """A part in place for 150 days: a Membrane or a Cartridge by its kind."""
    kind = kind or part_kind()
    table = Membrane if kind.role == "membrane" else Cartridge
    defaults = {"installed_at": NOW - timedelta(days=150)}
    return table.objects.create(
        treatment_unit=where.treatment_unit, position=where, kind=kind, **defaults | given
    )


def meter(unit: TreatmentUnit, **given) -> Meter:
    """A permeate meter in gallons."""
    defaults = {"water": "permeate", "installed_at": NOW - timedelta(days=500), "serial": f"M{number():05d}"}
    return Meter.objects.create(treatment_unit=unit, **defaults | given)


def meter_reading(which: Meter, total: float, read_at: datetime = NOW, **given) -> MeterReading:
    """A register total in the meter's own measure."""
    gallons = gal_per(Measure(which.measure))
    defaults = {
        "total": total, "total_gal": total * gallons, "rollover_gal": 10**which.digits * gallons,
        "source": ReadingSource.FILE, "recorded_at": read_at,
    }  # fmt: skip
    return MeterReading.objects.create(
        meter=which,
        treatment_unit=which.treatment_unit,
        water=which.water,
        read_at=read_at,
        **defaults | given,
    )


def weekly_readings(which: Meter, *, gal_per_day: float = 20, weeks: int = 52, until: datetime = NOW) -> None:
    """A year of readings of steady use with a little unevenness."""
    total = 0.0
    for week in range(weeks + 1):
        meter_reading(which, round(total, 1), until - timedelta(weeks=weeks - week))
        total += 7 * gal_per_day * (1 + 0.1 * ((week * 7) % 5 - 2) / 2)


def performance_reading(unit: TreatmentUnit, read_at: datetime = NOW, **given) -> PerformanceReading:
    """All gauges of a healthy unit."""
    defaults = {
        "feed_pressure_psi": 120, "concentrate_pressure_psi": 112, "permeate_pressure_psi": 4,
        "feed_temperature_c": 14, "feed_conductivity_us_cm": 640, "permeate_conductivity_us_cm": 20,
        "permeate_flow_gpm": 0.34, "concentrate_flow_gpm": 0.35, "sediment_inlet_psi": 62,
        "sediment_outlet_psi": 59, "chlorine_after_carbon_mg_l": 0.0, "source": ReadingSource.PHONE,
        "recorded_at": read_at,
    }  # fmt: skip
    return PerformanceReading.objects.create(treatment_unit=unit, read_at=read_at, **defaults | given)


def flush(of: Part, **given) -> Flush:
    """The flush after a part was put in, run until clear."""
    purpose = "membrane_storage_solution" if of.kind.role == "membrane" else "carbon_fines"
    defaults = {
        "kind": purpose, "flushed_at": of.installed_at + timedelta(hours=1), "volume_gal": 30, "minutes": 30,
        "ran_clear": True,
    }  # fmt: skip
    return Flush.objects.create(treatment_unit=of.treatment_unit, part=of, **defaults | given)


def whole_unit(**given) -> TreatmentUnit:
    """A treatment unit as in the field: four parts, flushed, a meter with a year of readings, gauges."""
    unit = treatment_unit(**given)
    kinds = [("sediment", SEDIMENT, "feed"), ("carbon", CARBON, "feed"), ("membrane", MEMBRANE, "permeate"),
             ("post-carbon", POST_CARBON, "permeate")]  # fmt: skip
    for order, (code, kind, water) in enumerate(kinds, start=1):
        made = part(position(unit, code, order, water), part_kind(name=code.capitalize(), **kind))
        if made.kind.needs_flush:
            flush(made)
    weekly_readings(meter(unit))
    for weeks in range(0, 52, 4):
        cold = 9 if weeks in (36, 40, 44) else 16
        performance_reading(unit, NOW - timedelta(weeks=weeks), feed_temperature_c=cold,
                            permeate_flow_gpm=0.29 if cold < 10 else 0.35)  # fmt: skip
    feed_test(site=unit.site)
    return unit


def finding(unit: TreatmentUnit, kind: str = FindingKind.CHANGE_DUE, **given) -> Finding:
    """A standing finding, due in two weeks."""
    defaults = {
        "cause_key": f"{kind}:test:{number()}", "method": "wear", "strength": 0.9, "why": "Carbon: 90% used.",
        "not_before_on": TODAY, "early_on": TODAY + timedelta(days=7),
        "likely_on": TODAY + timedelta(days=14),
        "late_on": TODAY + timedelta(days=28), "found_at": NOW, "changed_at": NOW,
    }  # fmt: skip
    values = defaults | given
    for later, earlier in (("late_on", "likely_on"), ("likely_on", "early_on")):
        if earlier not in given and values[later] and values[later] < values[earlier]:
            values[earlier] = values[later]
    return Finding.objects.create(treatment_unit=unit, kind=kind, **values)


def technician(*, with_person: bool = True, **given) -> Technician:
    """Someone with a van who works Monday to Friday, 8 to 17."""
    n = number()
    if "branch" not in given:
        given["branch"] = branch()
    if with_person and "person" not in given:
        given["person"] = person("technician", branch=given["branch"])
    defaults = {"code": f"tech-{n}", "name": f"Technician {n}", "start_latitude": 41.0,
                "start_longitude": -93.0, "cost_per_hour": Decimal("40.00")}  # fmt: skip
    made = Technician.objects.create(**defaults | given)
    Shift.objects.bulk_create(
        Shift(technician=made, weekday=weekday, starts_at=time(8), ends_at=time(17)) for weekday in range(5)
    )
    return made


def van(of: Technician, kind: PartKind, quantity: int = 5) -> StockLevel:
    """A van with parts of a kind."""
    place, _ = StockPlace.objects.get_or_create(
        technician=of, defaults={"code": f"van-{of.code}", "name": f"Van of {of.name}", "branch": of.branch}
    )
    return StockLevel.objects.create(place=place, kind=kind, quantity=quantity)


def plan(where: Site, *, amount: str = "60.00", **given) -> ServicePlan:
    """A monthly plan with its price."""
    defaults = {"code": f"P{number():04d}", "name": "Monthly care", "starts_on": date(2025, 1, 1)}
    made = ServicePlan.objects.create(site=where, **defaults | given)
    PlanPrice.objects.create(plan=made, from_on=made.starts_on, amount=Decimal(amount))
    return made


def work_order(unit: TreatmentUnit, kind: str = OrderKind.CHANGE_DUE, **given) -> WorkOrder:
    """An open order, due within the next two weeks."""
    defaults = {
        "cause_key": f"{kind}:test:{number()}", "why": "Carbon: 90% used.", "window_from": TODAY,
        "window_to": TODAY + timedelta(days=14), "minutes": 40, "raised_at": NOW, "changed_at": NOW,
    }  # fmt: skip
    return WorkOrder.objects.create(treatment_unit=unit, site=unit.site, kind=kind, **defaults | given)


def route(of: Technician, orders: list[WorkOrder], day: date = TODAY, *, is_in_force: bool = True) -> Route:
    """A published route with one stop per order, an hour apart from 9 o'clock UTC."""
    state = ProposalState.PUBLISHED if is_in_force else ProposalState.READY
    proposal = RouteProposal.objects.create(
        first_on=day, last_on=day, state=state, made_at=NOW, published_at=NOW if is_in_force else None
    )
    begins = datetime.combine(day, time(9), tzinfo=UTC)
    made = Route.objects.create(
        proposal=proposal, technician=of, day=day, is_in_force=is_in_force, leaves_at=begins,
        returns_at=begins + timedelta(hours=len(orders) + 1), drive_minutes=20 * len(orders),
        work_minutes=sum(order.minutes for order in orders),
    )  # fmt: skip
    for place, order in enumerate(orders, start=1):
        arrives = begins + timedelta(hours=place - 1, minutes=20)
        stop = Stop.objects.create(
            route=made, place=place, site=order.site, arrives_at=arrives, starts_at=arrives,
            leaves_at=arrives + timedelta(minutes=order.minutes), drive_minutes=20,
        )  # fmt: skip
        StopOrder.objects.create(stop=stop, order=order, is_in_force=is_in_force)
    if is_in_force:
        WorkOrder.objects.filter(pk__in=[order.pk for order in orders]).update(state="on_route")
    return made
