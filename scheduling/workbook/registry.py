"""Every sheet of the workbook, in the order they are written."""

from fleet.workbook.registry import FLEET_ENTRIES, Entry
from scheduling.models import ServicePlan, Technician
from scheduling.workbook import sheets
from scheduling.workbook.write_people import (
    write_absences,
    write_access_hours,
    write_shifts,
    write_technicians,
)
from scheduling.workbook.write_plans import write_plans
from scheduling.workbook.write_terms import write_plan_terms, write_tax_rates

ENTRIES: tuple[Entry, ...] = (
    *FLEET_ENTRIES,
    Entry(sheets.ACCESS_HOURS, write_access_hours),
    Entry(sheets.TECHNICIANS, write_technicians, lambda: Technician.objects.select_related("branch"), "code"),
    Entry(sheets.SHIFTS, write_shifts),
    Entry(sheets.ABSENCES, write_absences),
    Entry(
        sheets.PLANS,
        write_plans,
        lambda: ServicePlan.objects.select_related("site", "treatment_unit"),
        "code",
    ),
    Entry(sheets.PLAN_TERMS, write_plan_terms),
    Entry(sheets.TAX_RATES, write_tax_rates),
)
"""Others that a sheet names come before it."""
