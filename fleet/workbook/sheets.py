"""Fleet's sheets: what they hold and what writes them, in the order they are written."""

from django.db.models import Q

from fleet.models import (
    Branch,
    Customer,
    FeedTest,
    Flush,
    Membrane,
    Meter,
    MeterReading,
    Part,
    PartKind,
    PerformanceReading,
    Position,
    Site,
    TreatmentUnit,
    WaterSupply,
)
from fleet.readings.rows import GAUGES, TESTED
from fleet.workbook.columns import VOLUME, Column, Kind, Sheet, field, reference
from fleet.workbook.parts import check_part, fill_part_kinds, find_flushed, place_parts, sign_flush
from fleet.workbook.readings import write_feed_tests, write_meter_readings, write_performance_readings
from fleet.workbook.rules import (
    check_branch,
    check_meters,
    check_part_kind,
    check_site,
    check_times,
    check_treatment_unit,
)
from shared.messages import message
from shared.roles import Permission

_CODE = "Your short name for it; it tells rows apart and stays the same."
BRANCHES = Sheet(
    "branches",
    "Offices with their own sites and technicians.",
    Branch,
    (
        field("code", _CODE, "north"),
        field("name", "Name.", "North office (invented)"),
        field("time_zone", "Zone of its clocks, as in the IANA list.", "America/Chicago"),
        field("latitude", "Depot, degrees north.", 41.05, lowest=-90, highest=90),
        field("longitude", "Depot, degrees east.", -98.3, lowest=-180, highest=180),
    ),
    check=check_branch,
    thing="branch",
    within=lambda branch_id: Q(pk=branch_id),
)
CUSTOMERS = Sheet(
    "customers",
    "Who pays.",
    Customer,
    (
        field("code", _CODE, "K001"),
        field("name", "Name.", "Amber Bakery (invented)"),
        field("email", "Where notices go.", "k001@example.invalid"),
        field("phone", "Phone.", "555-0100"),
        field("wants_notices", "Whether visits are announced by e-mail.", "yes"),
    ),
    thing="customer",
    # One without sites is nobody's yet.
    within=lambda branch_id: Q(sites__branch_id=branch_id) | Q(sites=None),
)
SUPPLIES = Sheet(
    "supplies",
    "Where feed water comes from when a site has no test of its own.",
    WaterSupply,
    (
        field("code", _CODE, "COR"),
        field("name", "Name.", "Corvane waterworks (invented)"),
        field("kind", "Who treats the water before the site.", "utility"),
    ),
    thing=message("water supply"),
    within=lambda branch_id: Q(site__branch_id=branch_id) | Q(site=None),
)
SITES = Sheet(
    "sites",
    "Places with treatment units.",
    Site,
    (
        field("code", _CODE, "S001"),
        field("name", "Name.", "Amber Bakery, High Street (invented)"),
        reference("customer", "customers", "Code of the customer.", "K001"),
        reference(
            "branch",
            "branches",
            "Code of the branch; blank if there is one only.",
            "north",
            is_required=False,
        ),
        reference("supply", "supplies", "Code of the water supply.", "COR"),
        field("address", "Street and town.", "1 High Street, Corvane"),
        field("area", "Town or part of it.", "Corvane"),
        field("latitude", "Degrees north.", 41.07, lowest=-90, highest=90),
        field("longitude", "Degrees east.", -98.28, lowest=-180, highest=180),
        field("time_zone", "Zone of its clocks; blank: the branch's.", "America/Chicago"),
        field("kind", "Like sites lend each other their use.", "café"),
        field("access_note", "How to get in.", "Ring at the back door."),
        field("is_closed", "No longer visited.", "no"),
    ),
    check=check_site,
    thing="site",
    within=lambda branch_id: Q(branch_id=branch_id),
)
_TESTED = [
    ("free_chlorine_mg_l", "Free chlorine.", 1.1),
    ("chloramine_mg_l", "Chloramine, as Cl2.", 0),
    ("hardness_mg_l", "Total hardness as CaCO3.", 165),
    ("calcium_hardness_mg_l", "Calcium hardness as CaCO3.", 115),
    ("alkalinity_mg_l", "Alkalinity as CaCO3.", 140),
    ("tds_mg_l", "Total dissolved solids.", 390),
    ("conductivity_us_cm", "Conductivity.", 630),
    ("ph", "pH.", 7.7),
    ("temperature_c", "Temperature.", 12.5),
    ("iron_mg_l", "Iron.", 0.05),
    ("manganese_mg_l", "Manganese.", 0.01),
    ("silica_mg_l", "Silica as SiO2.", 14),
    ("sulfate_mg_l", "Sulfate.", 60),
    ("turbidity_ntu", "Turbidity. [NTU]", 0.3),
]

FEED_TESTS = Sheet(
    "feed_tests",
    "Feed-water tests of a site or a whole supply. Added, never changed: a later test takes over.",
    FeedTest,
    (
        reference("site", "sites", "Code of the site, if it is the site's own test."),
        reference("supply", "supplies", "Code of the supply, if the test is for all of it.", "COR"),
        field("sampled_at", "When sampled.", "2026-01-15 09:30", is_past=True),
        *(field(name, what, example, highest=TESTED[name]) for name, what, example in _TESTED),
        field("source", "Who measured.", "test kit"),
    ),
    key=(),
    write=write_feed_tests,
    needs=Permission.RECORD_READINGS,
)
_UNIT = reference("treatment_unit", "treatment_units", "Serial of the treatment unit.", "TU-1001")
CATALOGUE = Sheet(
    "catalogue",
    "Part kinds that can be bought, with the maker's ratings. A blank rating: the limit does not apply.",
    PartKind,
    (
        field("code", "Your article number.", "MEM-M"),
        field("name", "Name.", "Membrane element M (invented)"),
        field("role", "What it does to the water.", "membrane"),
        field("rated_gal", "Rated volume through it.", lowest=1, name="rated_volume"),
        field("rated_months", "Rated months in place.", 42, lowest=0.1, highest=600),
        field("shelf_life_months", "Months it keeps before use.", 36, highest=600),
        field("rating_chlorine_mg_l", "Challenge concentration of the rating.", lowest=0.01, highest=50),
        field("chloramine_factor", "Capacity that 1 mg/L chloramine takes, in free chlorine.", highest=100),
        field("bed_volume_ft3", "Volume of the bed.", highest=1000),
        field("rated_flow_gpm", "Rated flow.", highest=1000),
        field("terminal_drop_psi", "Pressure drop at which it is changed.", highest=200),
        field("rated_hardness_mg_l", "Hardness up to which months and gallons hold.", 280, highest=5000),
        field("hardness_capacity_grains", "Softening capacity. [grain]"),
        field("oxidant_tolerance_mg_h_l", "Free chlorine × running hours it bears. [mg·h/L]", 600),
        field("membrane_type", "Only for membranes, and needed there.", "polyamide"),
        field("rated_permeate_gal_per_day", "Rated permeate.", 1600),
        field("temperature_k_below_25", "Constant of the temperature factor below 25 °C. [K]", 3020),
        field("temperature_k_from_25", "Constant of the temperature factor from 25 °C. [K]", 2640),
        field("needs_flush", "Whether it is flushed when new.", "yes"),
        field("flush_gal", "Water to drain when new.", 25, highest=100_000, name="flush_volume"),
        field("flush_gpm", "Flow of that flush.", 1.25, lowest=0.01, highest=1000, name="flush_flow"),
        field("change_minutes", "Minutes a change takes.", 35, highest=1440),
        field("cost", "What you pay.", "163.20", needs=Permission.SEE_MARGINS),
        field("price", "What the customer pays.", "365.50", needs=Permission.CORRECT_MONEY),
    ),
    check=check_part_kind,
    thing=message("part kind"),
)
TREATMENT_UNITS = Sheet(
    "treatment_units",
    "The reverse-osmosis machines at the sites.",
    TreatmentUnit,
    (
        field("serial", "Serial number; tells machines apart.", "TU-1001"),
        field("label", "Where it stands.", "plant room"),
        reference("site", "sites", "Code of the site where it stands.", "S001"),
        field("commissioned_on", "First day of service.", "2024-05-02"),
        field("design_recovery", "Permeate over feed, 0.01 to 0.99.", 0.55, lowest=0.01, highest=0.99),
        field("design_use_gal_per_day", "Permeate the site is expected to use.", 600, highest=10_000_000),
        field(
            "design_permeate_gpm", "Permeate flow while running, at 25 °C.", 1.1, lowest=0.001, highest=10_000
        ),
        field("idle_limit_days", "Idle days after which a flush is owed.", 14, lowest=0.5, highest=400),
        field("mains_voltage", "Mains voltage. [V]", 120, lowest=12, highest=1000),
        field("has_electric_inlet_valve", "Its inlet valve is electric.", "yes"),
        field("has_pump", "A pump raises its pressure.", "yes"),
        field("has_tank", "It has a storage tank.", "yes"),
        field("has_softener", "A softener stands before it.", "no"),
        field("promised_conductivity_us_cm", "At most so much at the tap, as promised.", 60, highest=100_000),
        field("has_uv", "A UV lamp stands behind it.", "no"),
        field("is_out_of_service", "Shut down.", "no"),
        field("out_of_service_reason", "Why it is shut down."),
        field("note", "Anything a visitor should know."),
    ),
    key=("serial",),
    related=("site",),
    check=check_treatment_unit,
    thing=message("treatment unit"),
    within=lambda branch_id: Q(site__branch_id=branch_id),
)
PARTS = Sheet(
    "parts",
    "Parts in place, and parts that were in place before: a removed part says when and why it came out.",
    Part,
    (
        _UNIT,
        field(
            "code",
            "Name of the place in the machine, e.g. carbon.",
            "membrane",
            of=Position,
            is_required=True,
            name="position",
        ),
        field(
            "order", "Number of the place along the water, feed first.", 4, of=Position, lowest=1, highest=200
        ),
        field("water", "Which water the place sees.", "permeate", of=Position),
        reference("kind", "catalogue", "Code of the part kind.", "MEM-M"),
        field("serial", "Serial number of the part."),
        field("lot", "Lot.", "L2501-2"),
        field("made_on", "Day it was made.", "2025-01-10", is_past=True),
        field("installed_at", "When it went in.", "2025-02-03 10:00", is_past=True),
        field("removed_at", "When it came out; blank: it is in place.", is_past=True),
        field("removal_reason", "Why it came out."),
        field("clean_drop_psi", "Pressure drop when new.", highest=200),
        field("clean_drop_flow_gpm", "Flow at that pressure drop.", highest=10_000),
        field(
            "factory_rejection",
            "Fraction on the maker's sheet, for membranes.",
            0.975,
            of=Membrane,
            highest=1,
        ),
    ),
    key=("treatment_unit", "position__code", "installed_at"),
    related=("position", "kind"),
    named_by=("treatment_unit", "position"),
    check=check_part,
    check_all=place_parts,
    after=fill_part_kinds,
    frozen=("kind",),
    frozen_remedy=message("Give the part that was there a removed_at, and the other one its own row."),
)
FLUSHES = Sheet(
    "flushes",
    "Flushes as they were done. Added, never changed.",
    Flush,
    (
        _UNIT,
        field("code", "Position of the part that was flushed.", "membrane", of=Position, name="position"),
        field("kind", "What the flush was for.", "membrane_storage_solution"),
        field("flushed_at", "When it was done.", "2025-02-03 10:45", is_past=True),
        field("volume_gal", "Water to drain.", 26, highest=100_000),
        field("minutes", "Minutes it ran.", 20, highest=10_000),
        field("ran_clear", "Whether it ran clear.", "yes"),
    ),
    key=("treatment_unit", "kind", "part", "flushed_at"),
    prepare=find_flushed,
    fresh=sign_flush,
    needs=Permission.RECORD_READINGS,
    frozen=("volume_gal", "minutes", "ran_clear"),
    frozen_remedy=message("A recorded flush is not changed: record the other one with its own time."),
)
METERS = Sheet(
    "meters",
    "Water meters. A swap is two rows: the old one with removed_at, the new one with installed_at.",
    Meter,
    (
        _UNIT,
        field("water", "Which water it counts; blank: permeate.", "permeate"),
        field("serial", "Serial number of the meter.", "M1001"),
        field("measure", "What its register counts in; blank: gal.", "gal"),
        field("digits", "Whole digits of its register; blank: 7.", 7, lowest=3, highest=12),
        field("installed_at", "When it went in.", "2024-05-02 09:00", is_past=True),
        field("removed_at", "When it came out; blank: it is in place.", is_past=True),
    ),
    key=("treatment_unit", "water", "installed_at"),
    named_by=("treatment_unit", "water"),
    check=check_times,
    check_all=check_meters,
)
METER_READINGS = Sheet(
    "meter_readings",
    "What registers showed. Added, never changed.",
    MeterReading,
    (
        _UNIT,
        field("water", "Which water the meter counts; blank: permeate.", "permeate", is_required=False),
        Column(
            "meter",
            Kind.TEXT,
            "Serial of the meter; blank: the one in place then.",
            max_length=60,
            example="M1001",
        ),
        field("read_at", "When it was read.", "2026-01-15 10:15", is_past=True),
        Column(
            "total",
            Kind.REGISTER,
            "What the register showed. Without brackets in the header: in the meter's own measure.",
            is_required=True,
            measures=VOLUME,
            lowest=0,
            highest=1e12,
            example=48210.5,
        ),
        Column("accept", Kind.FLAG, "yes: the register really showed this, though it is lower than before."),
    ),
    key=(),
    write=write_meter_readings,
    needs=Permission.RECORD_READINGS,
)
_GAUGES = [
    ("feed_pressure_psi", "Feed pressure at the membrane.", 125),
    ("concentrate_pressure_psi", "Concentrate pressure.", 119),
    ("permeate_pressure_psi", "Permeate pressure.", 4),
    ("feed_temperature_c", "Feed temperature.", 12.5),
    ("feed_conductivity_us_cm", "Feed conductivity.", 630),
    ("permeate_conductivity_us_cm", "Permeate conductivity.", 17.5),
    ("permeate_flow_gpm", "Permeate flow.", 1.02),
    ("concentrate_flow_gpm", "Concentrate flow.", 0.9),
    ("sediment_inlet_psi", "Pressure before the sediment filter.", 62),
    ("sediment_outlet_psi", "Pressure after the sediment filter.", 58),
    ("chlorine_after_carbon_mg_l", "Chlorine found after the carbon.", 0.02),
]

PERFORMANCE_READINGS = Sheet(
    "performance_readings",
    "Gauges and flows read at one moment after run-in. Added, never changed.",
    PerformanceReading,
    (
        _UNIT,
        field("read_at", "When they were read.", "2026-01-15 10:30", is_past=True),
        *(field(name, what, example, highest=GAUGES[name]) for name, what, example in _GAUGES),
        field("saw_fines", "Carbon fines seen in the water.", "no"),
    ),
    key=(),
    write=write_performance_readings,
    needs=Permission.RECORD_READINGS,
)

FLEET_SHEETS = (
    BRANCHES, CUSTOMERS, SUPPLIES, SITES, FEED_TESTS, CATALOGUE, TREATMENT_UNITS, PARTS, FLUSHES, METERS,
    METER_READINGS, PERFORMANCE_READINGS,
)  # fmt: skip
"""Others that a sheet names come before it."""
