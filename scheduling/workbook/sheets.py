"""Sheets of access hours, technicians, shifts, absences and service plans."""

from fleet.workbook.columns import Column, Kind, Sheet, from_model, reference
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

_WEEKDAYS = "Mon Tue Wed Thu Fri Sat Sun, or 0 (Monday) to 6."

ACCESS_HOURS = Sheet(
    "access_hours",
    "When a site may be entered. No row for a site: any time; some rows: only then.",
    (
        reference("site", "sites", "Code of the site.", required=True, example="S001"),
        Column("weekday", Kind.WEEKDAYS, f"One or more of {_WEEKDAYS}", is_required=True, example="Mon Tue"),
        from_model(AccessHours, "opens_at", "From.", required=True, example="08:00"),
        from_model(AccessHours, "closes_at", "To.", required=True, example="12:30"),
    ),
    key=("site", "weekday", "opens_at"),
)
TECHNICIANS = Sheet(
    "technicians",
    "People with vans, with their usual week. Weeks of unlike days go to the sheet shifts.",
    (
        from_model(Technician, "code", "Your short name for the person.", required=True, example="ines"),
        from_model(Technician, "name", "Name.", required=True, example="Ines Varga (invented)"),
        reference("branch", "branches", "Code of the branch.", required=True, example="north"),
        from_model(
            Technician, "start_latitude", "Where the day begins, degrees north.", required=True, lowest=-90,
            highest=90, example=41.06,
        ),
        from_model(
            Technician, "start_longitude", "Where the day begins, degrees east.", required=True, lowest=-180,
            highest=180, example=-98.29,
        ),
        from_model(Technician, "cost_per_hour", "What an hour costs you.", example="38.00"),
        Column(
            "skills", Kind.TEXT, "Codes of skills, with ; between them.", max_length=400,
            example="licensed_electrician",
        ),
        from_model(Technician, "is_active", "Still with you; blank: yes.", example="yes"),
        Column(
            "weekdays", Kind.WEEKDAYS, f"Days of the usual week; the others become free: {_WEEKDAYS}",
            example="Mon Tue Wed Thu Fri",
        ),
        Column("shift_starts_at", Kind.CLOCK, "When those days begin.", example="08:00"),
        Column("shift_ends_at", Kind.CLOCK, "When they end.", example="16:30"),
        from_model(Shift, "lunch_minutes", "Minutes of lunch; blank: 30.", highest=240, example=30),
    ),
    key=("code",),
)  # fmt: skip
SHIFTS = Sheet(
    "shifts",
    "Working hours that differ from the usual week in the sheet technicians.",
    (
        reference("technician", "technicians", "Code of the technician.", required=True, example="ines"),
        Column("weekday", Kind.WEEKDAYS, f"One or more of {_WEEKDAYS}", is_required=True, example="Sat"),
        from_model(Shift, "starts_at", "From.", required=True, example="09:00"),
        from_model(Shift, "ends_at", "To.", required=True, example="13:00"),
        from_model(Shift, "lunch_minutes", "Minutes of lunch; blank: 30.", highest=240, example=0),
    ),
    key=("technician", "weekday"),
)
ABSENCES = Sheet(
    "absences",
    "Days a technician does not work, first to last, both included.",
    (
        reference("technician", "technicians", "Code of the technician.", required=True, example="ines"),
        from_model(Absence, "first_on", "First day away.", required=True, example="2026-07-06"),
        from_model(Absence, "last_on", "Last day away.", required=True, example="2026-07-10"),
        from_model(Absence, "reason", "Why.", example="holiday"),
    ),
    key=("technician", "first_on"),
)
PLANS = Sheet(
    "plans",
    "Service plans with their prices. A new price is one more row of the plan with a later price_from_on.",
    (
        from_model(ServicePlan, "code", "Number of the plan.", required=True, example="P0001"),
        from_model(ServicePlan, "name", "Name.", required=True, example="Full care (invented)"),
        reference("site", "sites", "Code of the site.", required=True, example="S001"),
        reference(
            "treatment_unit", "treatment_units", "Serial, if the plan is for one machine only.",
            example="TU-1001",
        ),
        from_model(ServicePlan, "interval", "How often the price is earned; blank: month.", example="month"),
        from_model(
            ServicePlan, "visit_every_months", "Months between visits the plan promises.", lowest=1,
            highest=120, example=12,
        ),
        from_model(ServicePlan, "includes_parts", "Parts are in the price; blank: yes.", example="yes"),
        from_model(ServicePlan, "starts_on", "First day.", required=True, example="2025-03-01"),
        from_model(ServicePlan, "ends_on", "First day not covered; blank: it goes on."),
        from_model(ServicePlan, "renews_on", "Day it is renewed.", example="2027-03-01"),
        from_model(ServicePlan, "notice_days", "Days of notice; blank: 30.", highest=400, example=30),
        from_model(
            ServicePlan, "escalator_percent",
            "Percent the price rises by on each anniversary; blank: 0. Later changes: sheet plan_terms.",
            highest=100, example="2.5",
        ),
        from_model(
            ServicePlan, "included_visits_per_year",
            "Visits a year in the price; blank: as many as needed. Later changes: sheet plan_terms.",
            highest=366, example=2,
        ),
        Column(
            "price", Kind.MONEY, "Per interval, before tax.", "amount", is_required=True, lowest=0,
            highest=99_999_999, example="89.00",
        ),
        from_model(
            PlanPrice, "from_on", "Day the price holds from; blank: starts_on.", name="price_from_on"
        ),
    ),
    key=("code", "price_from_on"),
)  # fmt: skip
PLAN_TERMS = Sheet(
    "plan_terms",
    "What a plan's yearly rise and included visits become from a day on. A change is a new row.",
    (
        reference("plan", "plans", "Code of the plan.", required=True, example="P0001"),
        from_model(PlanTerms, "from_on", "First day they hold.", required=True, example="2026-03-01"),
        from_model(
            PlanTerms, "escalator_percent", "Percent the price rises by on each anniversary.", required=True,
            highest=100, example="3",
        ),
        from_model(
            PlanTerms, "included_visits_per_year", "Visits a year in the price; blank: as many as needed.",
            highest=366, example=4,
        ),
    ),
    key=("plan", "from_on"),
)  # fmt: skip
TAX_RATES = Sheet(
    "tax_rates",
    "Taxes added to invoice lines as lines of their own. A new rate is a new row with a later from_on.",
    (
        from_model(TaxRate, "code", "Your short name for the tax.", required=True, example="ST"),
        from_model(TaxRate, "name", "As it stands on an invoice.", required=True, example="Tax (invented)"),
        from_model(TaxRate, "percent", "In percent; 0 ends it.", required=True, highest=100, example="6.25"),
        from_model(TaxRate, "from_on", "First month it holds: a day.", required=True, example="2026-01-01"),
        from_model(TaxRate, "area", "Sites of this area only; blank: every site."),
        from_model(TaxRate, "falls_on_plans", "On what plans earn; blank: yes.", example="yes"),
        from_model(TaxRate, "falls_on_work", "On work outside plans; blank: yes.", example="yes"),
        from_model(TaxRate, "falls_on_parts", "On parts outside plans; blank: yes.", example="yes"),
    ),
    key=("code", "from_on"),
)
