"""Fleet's sheets in the order they are written: what others depend on comes first."""

from collections.abc import Callable
from dataclasses import dataclass

from django.db import models

from fleet.models import Branch, Customer, PartKind, Site, TreatmentUnit, WaterSupply
from fleet.workbook import sheets
from fleet.workbook.columns import Sheet
from fleet.workbook.saving import Writer
from fleet.workbook.write_parts import (
    write_flushes,
    write_meter_readings,
    write_parts,
    write_performance_readings,
)
from fleet.workbook.write_register import (
    write_branches,
    write_catalogue,
    write_customers,
    write_feed_tests,
    write_meters,
    write_sites,
    write_supplies,
    write_treatment_units,
)


@dataclass(frozen=True)
class Entry:
    """One sheet with what writes it. Sheets whose rows have a code also say where to find them."""

    sheet: Sheet
    write: Writer
    query: Callable[[], models.QuerySet] | None = None
    code: str = ""


FLEET_ENTRIES: tuple[Entry, ...] = (
    Entry(sheets.BRANCHES, write_branches, lambda: Branch.objects.all(), "code"),
    Entry(sheets.CUSTOMERS, write_customers, lambda: Customer.objects.all(), "code"),
    Entry(sheets.SUPPLIES, write_supplies, lambda: WaterSupply.objects.all(), "code"),
    Entry(sheets.SITES, write_sites, lambda: Site.objects.all(), "code"),
    Entry(sheets.FEED_TESTS, write_feed_tests),
    Entry(sheets.CATALOGUE, write_catalogue, lambda: PartKind.objects.all(), "code"),
    Entry(
        sheets.TREATMENT_UNITS,
        write_treatment_units,
        lambda: TreatmentUnit.objects.select_related("site"),
        "serial",
    ),
    Entry(sheets.PARTS, write_parts),
    Entry(sheets.FLUSHES, write_flushes),
    Entry(sheets.METERS, write_meters),
    Entry(sheets.METER_READINGS, write_meter_readings),
    Entry(sheets.PERFORMANCE_READINGS, write_performance_readings),
)
