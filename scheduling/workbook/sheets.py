"""Scheduling's sheets, and all sheets of the workbook in the order they are written."""

from django.db.models import Q

from fleet.workbook.columns import Column, Kind, Sheet, field, reference
from fleet.workbook.sheets import FLEET_SHEETS
from scheduling.models import (
    Absence,
    AccessHours,
    PlanPrice,
    PlanTerms,
    ServicePlan,
    Shift,
    TaxRate,
    Technician,
)
from scheduling.workbook.rules import (
    check_absence,
    check_access_hours,
    check_plan_terms,
    check_shift,
    check_technician,
    fill_technicians,
    sign,
    write_plans,
)
from shared.messages import message
from shared.roles import Permission

_LATER = message("Add a row with a later from_on, or take the standing one back on its page.")
_WEEKDAYS = "Mon Tue Wed Thu Fri Sat Sun, or 0 (Monday) to 6."
ACCESS_HOURS = Sheet(
    "access_hours",
    "When a site may be entered. No row for a site: any time; some rows: only then.",
    AccessHours,
    (
        reference("site", "sites", "Code of the site.", "S001"),
        Column(
            "weekday",
            Kind.WEEKDAYS,
            f"One or more of {_WEEKDAYS}",
            is_own=True,
            is_required=True,
            example="Mon Tue",
        ),
        field("opens_at", "From.", "08:00"),
        field("closes_at", "To.", "12:30"),
    ),
    key=("site", "weekday", "opens_at"),
    check=check_access_hours,
)
TECHNICIANS = Sheet(
    "technicians",
    "People with vans, with their usual week. Weeks of unlike days go to the sheet shifts.",
    Technician,
    (
        field("code", "Your short name for the person.", "ines"),
        field("name", "Name.", "Ines Varga (invented)"),
        reference("branch", "branches", "Code of the branch.", "north"),
        field("start_latitude", "Where the day begins, degrees north.", 41.06, lowest=-90, highest=90),
        field("start_longitude", "Where the day begins, degrees east.", -98.29, lowest=-180, highest=180),
        field("cost_per_hour", "What an hour costs you.", "38.00", needs=Permission.SEE_MARGINS),
        Column(
            "skills",
            Kind.TEXT,
            "Codes of skills, with ; between them.",
            max_length=400,
            example="licensed_electrician",
        ),
        field("is_active", "Still with you; blank: yes.", "yes"),
        Column(
            "weekdays",
            Kind.WEEKDAYS,
            f"Days of the usual week; the others become free: {_WEEKDAYS}",
            example="Mon Tue Wed Thu Fri",
        ),
        Column("shift_starts_at", Kind.CLOCK, "When those days begin.", example="08:00"),
        Column("shift_ends_at", Kind.CLOCK, "When they end.", example="16:30"),
        field("lunch_minutes", "Minutes of lunch; blank: 30.", 30, of=Shift, highest=240),
    ),
    check=check_technician,
    after=fill_technicians,
    thing="technician",
    needs=Permission.PLAN_ROUTES,
    within=lambda branch_id: Q(branch_id=branch_id),
)
SHIFTS = Sheet(
    "shifts",
    "Working hours that differ from the usual week in the sheet technicians.",
    Shift,
    (
        reference("technician", "technicians", "Code of the technician.", "ines"),
        Column(
            "weekday",
            Kind.WEEKDAYS,
            f"One or more of {_WEEKDAYS}",
            is_own=True,
            is_required=True,
            example="Sat",
        ),
        field("starts_at", "From.", "09:00"),
        field("ends_at", "To.", "13:00"),
        field("lunch_minutes", "Minutes of lunch; blank: 30.", 0, highest=240),
    ),
    key=("technician", "weekday"),
    check=check_shift,
    needs=Permission.PLAN_ROUTES,
)
ABSENCES = Sheet(
    "absences",
    "Days a technician does not work, first to last, both included.",
    Absence,
    (
        reference("technician", "technicians", "Code of the technician.", "ines"),
        field("first_on", "First day away.", "2026-07-06"),
        field("last_on", "Last day away.", "2026-07-10"),
        field("reason", "Why.", "holiday"),
    ),
    key=("technician", "first_on"),
    check=check_absence,
    needs=Permission.PLAN_ROUTES,
)
PLANS = Sheet(
    "plans",
    "Service plans with their prices. A new price is one more row of the plan with a later price_from_on.",
    ServicePlan,
    (
        field("code", "Number of the plan.", "P0001"),
        field("name", "Name.", "Full care (invented)"),
        reference("site", "sites", "Code of the site.", "S001"),
        reference(
            "treatment_unit", "treatment_units", "Serial, if the plan is for one machine only.", "TU-1001"
        ),
        field("interval", "How often the price is earned; blank: month.", "month"),
        field("visit_every_months", "Months between visits the plan promises.", 12, lowest=1, highest=120),
        field("includes_parts", "Parts are in the price; blank: yes.", "yes"),
        field("starts_on", "First day.", "2025-03-01"),
        field("ends_on", "First day not covered; blank: it goes on."),
        field("renews_on", "Day it is renewed.", "2027-03-01"),
        field("notice_days", "Days of notice; blank: 30.", 30, highest=400),
        field(
            "escalator_percent",
            "Percent the price rises by on each anniversary; blank: 0. Later changes: sheet plan_terms.",
            "2.5",
            highest=100,
        ),
        field(
            "included_visits_per_year",
            "Visits a year in the price; blank: as many as needed. Later changes: sheet plan_terms.",
            2,
            highest=366,
        ),
        Column(
            "price",
            Kind.MONEY,
            "Per interval, before tax.",
            "amount",
            is_required=True,
            lowest=0,
            highest=99999999,
            example="89.00",
        ),
        field("from_on", "Day the price holds from; blank: starts_on.", of=PlanPrice, name="price_from_on"),
    ),
    write=write_plans,
    needs=Permission.CORRECT_MONEY,
    within=lambda branch_id: Q(site__branch_id=branch_id),
    frozen=("escalator_percent", "included_visits_per_year"),
    frozen_remedy=message("Add a row to the sheet plan_terms, with the day it changes."),
)
PLAN_TERMS = Sheet(
    "plan_terms",
    "What a plan's yearly rise and included visits become from a day on. A change is a new row.",
    PlanTerms,
    (
        reference("plan", "plans", "Code of the plan.", "P0001"),
        field("from_on", "First day they hold.", "2026-03-01"),
        field(
            "escalator_percent",
            "Percent the price rises by on each anniversary.",
            "3",
            is_required=True,
            highest=100,
        ),
        field(
            "included_visits_per_year",
            "Visits a year in the price; blank: as many as needed.",
            4,
            highest=366,
        ),
    ),
    key=("plan", "from_on"),
    needs=Permission.CORRECT_MONEY,
    can_be_taken_back=True,
    check=check_plan_terms,
    fresh=sign,
    frozen=("escalator_percent", "included_visits_per_year"),
    frozen_remedy=_LATER,
)
TAX_RATES = Sheet(
    "tax_rates",
    "Taxes added to invoice lines as lines of their own. A new rate is a new row with a later from_on.",
    TaxRate,
    (
        field("code", "Your short name for the tax.", "ST"),
        field("name", "As it stands on an invoice.", "Tax (invented)"),
        field("percent", "In percent; 0 ends it.", "6.25", highest=100),
        field("from_on", "First month it holds: a day.", "2026-01-01"),
        field("area", "Sites of this area only; blank: every site."),
        field("falls_on_plans", "On what plans earn; blank: yes.", "yes"),
        field("falls_on_work", "On work outside plans; blank: yes.", "yes"),
        field("falls_on_parts", "On parts outside plans; blank: yes.", "yes"),
    ),
    key=("code", "from_on"),
    needs=Permission.CORRECT_MONEY,
    can_be_taken_back=True,
    fresh=sign,
    frozen=("name", "percent", "area", "falls_on_plans", "falls_on_work", "falls_on_parts"),
    frozen_remedy=_LATER,
)

SHEETS = (
    *FLEET_SHEETS, ACCESS_HOURS, TECHNICIANS, SHIFTS, ABSENCES, PLANS, PLAN_TERMS, TAX_RATES,
)  # fmt: skip
"""Others that a sheet names come before it."""
