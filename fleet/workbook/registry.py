"""Fleet's sheets in the order they are written: what others depend on comes first."""

from collections.abc import Callable
from dataclasses import dataclass

from django.db import models

from fleet.models import Branch, Customer, PartKind, Site, TreatmentUnit, WaterSupply
from fleet.workbook import sheets_equipment, sheets_sites
from fleet.workbook.columns import Sheet
from fleet.workbook.run import Writer
from fleet.workbook.write_equipment import write_catalogue, write_meters, write_treatment_units
from fleet.workbook.write_parts import write_flushes, write_parts
from fleet.workbook.write_readings import write_meter_readings, write_performance_readings
from fleet.workbook.write_sites import (
    write_branches,
    write_customers,
    write_feed_tests,
    write_sites,
    write_supplies,
)


@dataclass(frozen=True)
class Entry:
    """One sheet with what writes it. Sheets whose rows have a code also say where to find them."""

    sheet: Sheet
    write: Writer
    query: Callable[[], models.QuerySet] | None = None
    code: str = ""


FLEET_ENTRIES: tuple[Entry, ...] = (
    Entry(sheets_sites.BRANCHES, write_branches, lambda: Branch.objects.all(), "code"),
    Entry(sheets_sites.CUSTOMERS, write_customers, lambda: Customer.objects.all(), "code"),
    Entry(sheets_sites.SUPPLIES, write_supplies, lambda: WaterSupply.objects.all(), "code"),
    Entry(sheets_sites.SITES, write_sites, lambda: Site.objects.all(), "code"),
    Entry(sheets_sites.FEED_TESTS, write_feed_tests),
    Entry(sheets_equipment.CATALOGUE, write_catalogue, lambda: PartKind.objects.all(), "code"),
    Entry(
        sheets_equipment.TREATMENT_UNITS,
        write_treatment_units,
        lambda: TreatmentUnit.objects.select_related("site"),
        "serial",
    ),
    Entry(sheets_equipment.PARTS, write_parts),
    Entry(sheets_equipment.FLUSHES, write_flushes),
    Entry(sheets_equipment.METERS, write_meters),
    Entry(sheets_equipment.METER_READINGS, write_meter_readings),
    Entry(sheets_equipment.PERFORMANCE_READINGS, write_performance_readings),
)
