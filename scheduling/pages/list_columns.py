"""Columns of the files of lists that belong to a page: what the page shows, with plain values."""

from typing import Final

from scheduling.pages.downloads import Column, columns

STEP_SHEETS: Final = [
    Column("Kind of work", lambda row: row[1]),
    Column("Version", lambda row: row[2].version if row[2] else None),
    Column("Cautions", lambda row: len(row[2].cautions) if row[2] else None),
    Column("Steps", lambda row: len(row[2].steps) if row[2] else None),
    Column("Hazard controls", lambda row: row[3]),
    Column("Since", lambda row: row[2].made_at if row[2] else None),
]
PLACES: Final = columns(code="Code", name="Place", branch="Depot", kinds="Kinds", pieces="Pieces")
LOADS: Final = columns(
    day="Day",
    technician="Technician",
    kind="Part",
    needed="Needed",
    on_van="Then on the van",
    missing="To load",
)
PLANNER_PRICES: Final = columns(
    from_on="From", late_day_minutes="Day late", missed_minutes="Left out, due",
    missed_per_day_minutes="Per day overdue", carry_over_least_minutes="Left out, can wait, least",
    carry_over_most_minutes="Left out, can wait, most", site_visit_minutes="Arrival",
    other_technician_minutes="Somebody else", overtime_allowed_minutes="Overtime allowed, min",
    overtime_per_minute="Overtime, per minute", made_by="Kept by", made_at="Kept",
)  # fmt: skip
DRIVES: Final = columns(
    site_a__code="Site code", site_a__name="Site", site_b__code="And site code", site_b__name="And site",
    minutes="Minutes", because="Because", set_by="Set by", set_at="Set",
)  # fmt: skip
PACES: Final = [
    Column("Depot", lambda row: row[0]),
    Column("What", lambda row: row[1].title),
    Column("In use, factor", lambda row: row[1].factor_in_use if row[1].in_use else None),
    Column("Visits say, factor", lambda row: row[1].found.factor if row[1].is_learned else None),
    Column("Out of", lambda row: row[1].found.visits),
    Column("Why not", lambda row: "" if row[1].is_learned else row[1].found.reason),
]
DUTIES: Final = columns(
    title="What", how_often="How often", last_at="Last", word="How it went", problem="Problem"
)
FAILED: Final = columns(last_at="When", title="What", word="How", problem="Problem", task_id="Task")
NOTICES: Final = columns(
    made_at="Made", get_kind_display="Notice", customer__name="Customer", visit__site__name="Site",
    visit__arrives_from="Visit from", visit__arrives_until="Visit until", get_state_display="State",
    to_email="To", sent_at="Sent", tries="Tries", problem="Problem",
)  # fmt: skip
DAY_LOADS: Final = columns(
    day="Day", technicians="Routes", stops="Stops", work_minutes="Minutes on site",
    drive_minutes="Minutes driving", shift_minutes="Minutes of shifts",
    ends_unplaced="Windows that end with no route",
)  # fmt: skip
FINDING_CHANGES: Final = columns(word="Finding", came="New", went="Gone")
HAND_CHANGES: Final = columns(
    number="Change", what="What", by="By", at="At", drive_minutes="Driving, min", undone_at="Undone",
    undone_by="Undone by",
)  # fmt: skip
PLANS: Final = columns(
    first_on="First day", last_on="Last day", branch="Depot", state_word="State", stops="Stops",
    unplaced="Left out", problems="Problems", drive_minutes="Driving, min", work_minutes="On site, min",
    made_at="Made", made_by="Made by",
)  # fmt: skip
PLAN_STOPS: Final = [
    Column("Day", lambda row: row[0].day),
    Column("Technician", lambda row: row[0].technician),
    Column("Place", lambda row: row[1].place),
    Column("Starts", lambda row: row[1].starts_at),
    Column("Leaves", lambda row: row[1].leaves_at),
    Column("Site code", lambda row: row[1].site_code),
    Column("Site", lambda row: row[1].site_name),
    Column("Drive, min", lambda row: row[1].drive_minutes),
    Column("Orders", lambda row: ", ".join(order.number for order in row[1].orders)),
]
LEFT_OUT: Final = columns(
    number="Order", kind_word="Kind", site_name="Site", serial="Treatment unit", window_from="Window from",
    window_to="Window to", is_due="Due in these days", reason="Reason", text="What stands in the way",
)  # fmt: skip
VAN_LOAD: Final = columns(
    code="Code", name="Part", needed="Needed", on_van="On the van", missing="Take from the shelf"
)
LEVELS: Final = columns(kind_code="Code", kind="Part", lot="Lot", quantity="Count")
MOVEMENTS: Final = columns(
    at="At", kind="Part", lot="Lot", quantity="Moved", by="By", note="Note", order_pk="Order"
)
CALENDARS: Final = columns(
    technician="Technician", branch="Depot", is_on="On", made_at="Made", last_read_at="Last read"
)
RENEWALS: Final = [
    Column("Month", lambda row: row.month),
    Column("Plans", lambda row: row.plans),
    Column("They bring a month", lambda row: row.monthly, is_money=True),
    Column("Notice day passed", lambda row: row.notice_over),
]
PLAN_RENEWALS: Final = [
    *columns(renews_on="Renews", plan_code="Code", plan_name="Plan", site_code="Site code", site_name="Site",
             notice_by="Notice until", is_notice_over="Notice day passed"),
    Column("A month", lambda row: row.monthly, is_money=True),
]  # fmt: skip
PLAN_PRICES: Final = [
    Column("From", lambda row: row.from_on),
    Column("Price", lambda row: row.amount, is_money=True),
]
PLAN_TERMS: Final = columns(
    from_on="From", escalator_percent="Rises by, percent",
    included_visits_per_year="Visits a year in the price, empty: all", made_by="Entered by",
    made_at="Entered",
    taken_back_at="Taken back", taken_back_by="Taken back by",
)  # fmt: skip
PLAN_PERIODS: Final = columns(
    get_kind_display="What", from_on="From", to_on="First day after", percent_off="Percent off", why="Why",
    made_by="Made by", made_at="Made",
)  # fmt: skip
MONTHS_AHEAD: Final = [
    Column("Month", lambda row: row.month),
    Column("Changes", lambda row: round(row.changes, 2)),
    Column("Changes, enough 9 in 10", lambda row: row.changes_high),
    Column("Visits", lambda row: round(row.visits, 2)),
    Column("Visits, enough 9 in 10", lambda row: row.visits_high),
    Column("Hours", lambda row: round(row.hours, 2)),
    Column("Recurring", lambda row: row.recurring, is_money=True),
    Column("One-off", lambda row: row.one_off, is_money=True),
]
TO_ORDER: Final = columns(code="Code", name="Part", needed="Needed", in_stock="In stock", to_order="To order")
TO_ORDER_COSTS: Final = [Column("Cost", lambda row: row.order_cost, is_money=True)]
RISK_REASONS: Final = [
    Column("Because", lambda row: row[0]),
    Column("Sites", lambda row: row[1]),
    Column("They bring a month", lambda row: row[2], is_money=True),
]
LATE_CARBON: Final = [
    *columns(serial="Treatment unit", site_code="Site code", site_name="Site", carbon="Carbon",
             membrane="Membrane", likely_on="Carbon was due", days_late="Days late",
             chance_spent="Chance it is spent", membrane_wear="Tolerance used"),
    Column("Price of the membrane", lambda row: row.membrane_price, is_money=True),
    Column("A week", lambda row: row.weekly, is_money=True),
]  # fmt: skip
TAX_RATES: Final = columns(
    code="Code", name="Tax", from_on="From", percent="Percent", area="Area, empty: every site",
    falls_on_plans="On plans", falls_on_work="On work", falls_on_parts="On parts", made_by="Entered by",
    made_at="Entered", taken_back_at="Taken back", taken_back_by="Taken back by",
)  # fmt: skip
BATCHES: Final = [
    *columns(name="Batch", through="Up to", made_at="Made", made_by="Made by", entries="Entries"),
    Column("Before tax", lambda row: row.net, is_money=True),
    Column("Tax lines", lambda row: row.taxes),
    Column("Tax", lambda row: row.tax, is_money=True),
]
PAID_FILES: Final = [
    *columns(name="File", read_at="Taken in", read_by="By", lines="Lines"),
    Column("Amount", lambda row: row.amount, is_money=True),
    *columns(taken_back_at="Taken back"),
]
SITE_UNITS: Final = columns(
    serial="Treatment unit", label="Label", readiness_word="Readiness",
    worst_wear="Most worn part, share used", next_due_on="Next due", is_decaying="Decaying",
    permeate_gal_per_day="Permeate, gal/day",
    standing_orders="Standing work orders",
)  # fmt: skip
SITE_PLANS: Final = [
    *columns(code="Code", name="Plan", serial="Treatment unit", interval="Interval"),
    Column("Price", lambda row: row.amount, is_money=True),
    *columns(visit_every_months="Visit every, months", starts_on="From", ends_on="To", renews_on="Renews"),
]
FEED_TESTS: Final = columns(
    sampled_at="Sampled", whose="Of", is_in_force="In force", free_chlorine_mg_l="Free chlorine, mg/L",
    chloramine_mg_l="Chloramine, mg/L", hardness_mg_l="Hardness as CaCO3, mg/L", tds_mg_l="TDS, mg/L",
    ph="pH", temperature_c="Temperature, °C",
)  # fmt: skip
PARTS_IN_PLACE: Final = columns(
    position="Position", name="Part", serial="Serial", lot="Lot", installed_on="In place since",
    wear="Share used", governing_word="By", early_on="Early", likely_on="Likely", late_on="Late",
)  # fmt: skip
PARTS_TAKEN_OUT: Final = columns(
    position="Position", name="Part", serial="Serial", lot="Lot", installed_on="From", removed_on="To",
    reason="Why",
)  # fmt: skip
METER_READINGS: Final = [
    *columns(read_at="Read", get_water_display="Water", meter__serial="Meter", total="Register",
             meter__measure="Measure"),
    *columns(total_gal="Register, gal"),
]  # fmt: skip
GAUGES: Final = columns(
    read_at="Read", feed_pressure_psi="Feed pressure, psi",
    concentrate_pressure_psi="Concentrate pressure, psi",
    permeate_pressure_psi="Permeate pressure, psi",
    feed_temperature_c="Water, °C",
    permeate_flow_gpm="Permeate flow, gpm", concentrate_flow_gpm="Concentrate flow, gpm",
    permeate_conductivity_us_cm="Permeate conductivity, µS/cm",
    feed_conductivity_us_cm="Feed conductivity, µS/cm",
    chlorine_after_carbon_mg_l="Chlorine after carbon, mg/L",
)  # fmt: skip
TRIES: Final = columns(
    at="At", status="HTTP status", milliseconds="Milliseconds", problem="Problem", answer="Answer"
)
