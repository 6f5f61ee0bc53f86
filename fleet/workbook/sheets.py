"""Sheets of branches, customers, water supplies, feed tests and sites.

Sheets of the catalogue, treatment units, parts, flushes, meters and readings.
"""

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
from fleet.workbook.columns import HARDNESS, VOLUME, Column, Kind, Sheet, from_model, reference

_CODE = "Your short name for it; it tells rows apart and stays the same."

BRANCHES = Sheet(
    "branches",
    "Offices with their own sites and technicians.",
    (
        from_model(Branch, "code", _CODE, required=True, example="north"),
        from_model(Branch, "name", "Name.", required=True, example="North office (invented)"),
        from_model(
            Branch, "time_zone", "Zone of its clocks, as in the IANA list.", example="America/Chicago"
        ),
        from_model(Branch, "latitude", "Depot, degrees north.", lowest=-90, highest=90, example=41.05),
        from_model(Branch, "longitude", "Depot, degrees east.", lowest=-180, highest=180, example=-98.3),
    ),
    key=("code",),
)
CUSTOMERS = Sheet(
    "customers",
    "Who pays.",
    (
        from_model(Customer, "code", _CODE, required=True, example="K001"),
        from_model(Customer, "name", "Name.", required=True, example="Amber Bakery (invented)"),
        from_model(Customer, "email", "Where notices go.", example="k001@example.invalid"),
        from_model(Customer, "phone", "Phone.", example="555-0100"),
        from_model(Customer, "wants_notices", "Whether visits are announced by e-mail.", example="yes"),
    ),
    key=("code",),
)
SUPPLIES = Sheet(
    "supplies",
    "Where feed water comes from when a site has no test of its own.",
    (
        from_model(WaterSupply, "code", _CODE, required=True, example="COR"),
        from_model(WaterSupply, "name", "Name.", required=True, example="Corvane waterworks (invented)"),
        from_model(WaterSupply, "kind", "Who treats the water before the site.", example="utility"),
    ),
    key=("code",),
)
SITES = Sheet(
    "sites",
    "Places with treatment units.",
    (
        from_model(Site, "code", _CODE, required=True, example="S001"),
        from_model(Site, "name", "Name.", required=True, example="Amber Bakery, High Street (invented)"),
        reference("customer", "customers", "Code of the customer.", required=True, example="K001"),
        reference("branch", "branches", "Code of the branch; blank if there is one only.", example="north"),
        reference("supply", "supplies", "Code of the water supply.", example="COR"),
        from_model(Site, "address", "Street and town.", example="1 High Street, Corvane"),
        from_model(Site, "area", "Town or part of it.", example="Corvane"),
        from_model(Site, "latitude", "Degrees north.", lowest=-90, highest=90, example=41.07),
        from_model(Site, "longitude", "Degrees east.", lowest=-180, highest=180, example=-98.28),
        from_model(Site, "time_zone", "Zone of its clocks; blank: the branch's.", example="America/Chicago"),
        from_model(Site, "kind", "Like sites lend each other their use.", example="café"),
        from_model(Site, "access_note", "How to get in.", example="Ring at the back door."),
        from_model(Site, "is_closed", "No longer visited.", example="no"),
    ),
    key=("code",),
)
_TESTED = [
    ("free_chlorine_mg_l", "Free chlorine.", 50, 1.1),
    ("chloramine_mg_l", "Chloramine, as Cl2.", 50, 0),
    ("hardness_mg_l", "Total hardness as CaCO3.", 5000, 165),
    ("calcium_hardness_mg_l", "Calcium hardness as CaCO3.", 5000, 115),
    ("alkalinity_mg_l", "Alkalinity as CaCO3.", 5000, 140),
    ("tds_mg_l", "Total dissolved solids.", 100_000, 390),
    ("conductivity_us_cm", "Conductivity.", 200_000, 630),
    ("ph", "pH.", 14, 7.7),
    ("temperature_c", "Temperature.", 60, 12.5),
    ("iron_mg_l", "Iron.", 200, 0.05),
    ("manganese_mg_l", "Manganese.", 50, 0.01),
    ("silica_mg_l", "Silica as SiO2.", 500, 14),
    ("sulfate_mg_l", "Sulfate.", 10_000, 60),
    ("turbidity_ntu", "Turbidity. [NTU]", 4000, 0.3),
]
TESTED_ATTRIBUTES = [name for name, _what, _most, _example in _TESTED]
_AS_CACO3 = {"hardness_mg_l", "calcium_hardness_mg_l", "alkalinity_mg_l"}
FEED_TESTS = Sheet(
    "feed_tests",
    "Feed-water tests of a site or a whole supply. Added, never changed: a later test takes over.",
    (
        reference("site", "sites", "Code of the site, if it is the site's own test."),
        reference("supply", "supplies", "Code of the supply, if the test is for all of it.", example="COR"),
        from_model(
            FeedTest, "sampled_at", "When sampled.", required=True, past=True, example="2026-01-15 09:30"
        ),
        *(
            from_model(
                FeedTest, name, what, highest=most, example=example,
                measures=HARDNESS if name in _AS_CACO3 else None,
            )
            for name, what, most, example in _TESTED
        ),
        from_model(FeedTest, "source", "Who measured.", example="test kit"),
    ),
    key=("site", "supply", "sampled_at"),
)  # fmt: skip

_UNIT = reference(
    "treatment_unit", "treatment_units", "Serial of the treatment unit.", required=True, example="TU-1001"
)

CATALOGUE = Sheet(
    "catalogue",
    "Part kinds that can be bought, with the maker's ratings. A blank rating: the limit does not apply.",
    (
        from_model(PartKind, "code", "Your article number.", required=True, example="MEM-M"),
        from_model(PartKind, "name", "Name.", required=True, example="Membrane element M (invented)"),
        from_model(PartKind, "role", "What it does to the water.", required=True, example="membrane"),
        from_model(PartKind, "rated_gal", "Rated volume through it.", lowest=1, name="rated_volume"),
        from_model(PartKind, "rated_months", "Rated months in place.", lowest=0.1, highest=600, example=42),
        from_model(PartKind, "shelf_life_months", "Months it keeps before use.", highest=600, example=36),
        from_model(
            PartKind, "rating_chlorine_mg_l", "Challenge concentration of the rating.", lowest=0.01,
            highest=50,
        ),
        from_model(
            PartKind, "chloramine_factor", "Capacity that 1 mg/L chloramine takes, in free chlorine.",
            highest=100,
        ),
        from_model(PartKind, "bed_volume_ft3", "Volume of the bed.", highest=1000),
        from_model(PartKind, "rated_flow_gpm", "Rated flow.", highest=1000),
        from_model(PartKind, "terminal_drop_psi", "Pressure drop at which it is changed.", highest=200),
        from_model(
            PartKind, "rated_hardness_mg_l", "Hardness up to which months and gallons hold.", highest=5000,
            measures=HARDNESS, example=280,
        ),
        from_model(PartKind, "hardness_capacity_grains", "Softening capacity. [grain]"),
        from_model(
            PartKind, "oxidant_tolerance_mg_h_l", "Free chlorine × running hours it bears. [mg·h/L]",
            example=600,
        ),
        from_model(PartKind, "membrane_type", "Only for membranes, and needed there.", example="polyamide"),
        from_model(PartKind, "rated_permeate_gal_per_day", "Rated permeate.", example=1600),
        from_model(
            PartKind, "temperature_k_below_25", "Constant of the temperature factor below 25 °C. [K]",
            example=3020,
        ),
        from_model(
            PartKind, "temperature_k_from_25", "Constant of the temperature factor from 25 °C. [K]",
            example=2640,
        ),
        from_model(PartKind, "needs_flush", "Whether it is flushed when new.", example="yes"),
        from_model(PartKind, "flush_gal", "Water to drain when new.", highest=100_000, example=25,
                   name="flush_volume"),
        from_model(PartKind, "flush_gpm", "Flow of that flush.", lowest=0.01, highest=1000, example=1.25,
                   name="flush_flow"),
        from_model(PartKind, "change_minutes", "Minutes a change takes.", highest=1440, example=35),
        from_model(PartKind, "cost", "What you pay.", example="163.20"),
        from_model(PartKind, "price", "What the customer pays.", example="365.50"),
    ),
    key=("code",),
)  # fmt: skip

TREATMENT_UNITS = Sheet(
    "treatment_units",
    "The reverse-osmosis machines at the sites.",
    (
        from_model(TreatmentUnit, "serial", "Serial number; tells machines apart.", required=True,
                   example="TU-1001"),
        from_model(TreatmentUnit, "label", "Where it stands.", example="plant room"),
        reference("site", "sites", "Code of the site where it stands.", required=True, example="S001"),
        from_model(TreatmentUnit, "commissioned_on", "First day of service.", example="2024-05-02"),
        from_model(TreatmentUnit, "design_recovery", "Permeate over feed, 0.01 to 0.99.", lowest=0.01,
                   highest=0.99, example=0.55),
        from_model(TreatmentUnit, "design_use_gal_per_day", "Permeate the site is expected to use.",
                   required=True, highest=10_000_000, example=600),
        from_model(TreatmentUnit, "design_permeate_gpm", "Permeate flow while running, at 25 °C.",
                   required=True, lowest=0.001, highest=10_000, example=1.1),
        from_model(TreatmentUnit, "idle_limit_days", "Idle days after which a flush is owed.", lowest=0.5,
                   highest=400, example=14),
        from_model(TreatmentUnit, "mains_voltage", "Mains voltage. [V]", lowest=12, highest=1000,
                   example=120),
        from_model(TreatmentUnit, "is_out_of_service", "Shut down.", example="no"),
        from_model(TreatmentUnit, "out_of_service_reason", "Why it is shut down."),
        from_model(TreatmentUnit, "note", "Anything a visitor should know."),
    ),
    key=("serial",),
)  # fmt: skip

PARTS = Sheet(
    "parts",
    "Parts in place, and parts that were in place before: a removed part says when and why it came out.",
    (
        _UNIT,
        from_model(Position, "code", "Name of the place in the machine, e.g. carbon.", required=True,
                   example="membrane", name="position"),
        from_model(Position, "order", "Number of the place along the water, feed first.", lowest=1,
                   highest=200, example=4),
        from_model(Position, "water", "Which water the place sees.", example="permeate"),
        reference("kind", "catalogue", "Code of the part kind.", required=True, example="MEM-M"),
        from_model(Part, "serial", "Serial number of the part."),
        from_model(Part, "lot", "Lot.", example="L2501-2"),
        from_model(Part, "made_on", "Day it was made.", past=True, example="2025-01-10"),
        from_model(Part, "installed_at", "When it went in.", required=True, past=True,
                   example="2025-02-03 10:00"),
        from_model(Part, "removed_at", "When it came out; blank: it is in place.", past=True),
        from_model(Part, "removal_reason", "Why it came out."),
        from_model(Part, "clean_drop_psi", "Pressure drop when new.", highest=200),
        from_model(Part, "clean_drop_flow_gpm", "Flow at that pressure drop.", highest=10_000),
        from_model(Membrane, "factory_rejection", "Fraction on the maker's sheet, for membranes.", highest=1,
                   example=0.975),
    ),
    key=("treatment_unit", "position", "installed_at"),
)  # fmt: skip

FLUSHES = Sheet(
    "flushes",
    "Flushes as they were done. Added, never changed.",
    (
        _UNIT,
        from_model(Position, "code", "Position of the part that was flushed.", example="membrane",
                   name="position"),
        from_model(Flush, "kind", "What the flush was for.", required=True,
                   example="membrane_storage_solution"),
        from_model(Flush, "flushed_at", "When it was done.", required=True, past=True,
                   example="2025-02-03 10:45"),
        from_model(Flush, "volume_gal", "Water to drain.", highest=100_000, example=26),
        from_model(Flush, "minutes", "Minutes it ran.", highest=10_000, example=20),
        from_model(Flush, "ran_clear", "Whether it ran clear.", example="yes"),
    ),
    key=("treatment_unit", "kind", "flushed_at", "position"),
)  # fmt: skip

METERS = Sheet(
    "meters",
    "Water meters. A swap is two rows: the old one with removed_at, the new one with installed_at.",
    (
        _UNIT,
        from_model(Meter, "water", "Which water it counts; blank: permeate.", example="permeate"),
        from_model(Meter, "serial", "Serial number of the meter.", example="M1001"),
        from_model(Meter, "measure", "What its register counts in; blank: gal.", example="gal"),
        from_model(Meter, "digits", "Whole digits of its register; blank: 7.", lowest=3, highest=12,
                   example=7),
        from_model(Meter, "installed_at", "When it went in.", required=True, past=True,
                   example="2024-05-02 09:00"),
        from_model(Meter, "removed_at", "When it came out; blank: it is in place.", past=True),
    ),
    key=("treatment_unit", "water", "installed_at"),
)  # fmt: skip

METER_READINGS = Sheet(
    "meter_readings",
    "What registers showed. Added, never changed.",
    (
        _UNIT,
        from_model(MeterReading, "water", "Which water the meter counts; blank: permeate.",
                   example="permeate"),
        Column("meter", Kind.TEXT, "Serial of the meter; blank: the one in place then.", max_length=60,
               example="M1001"),
        from_model(MeterReading, "read_at", "When it was read.", required=True, past=True,
                   example="2026-01-15 10:15"),
        Column("total", Kind.REGISTER, "What the register showed. Without brackets in the header: in the "
               "meter's own measure.", is_required=True, measures=VOLUME, lowest=0, highest=1e12,
               example=48210.5),
        Column("accept", Kind.FLAG, "yes: the register really showed this, though it is lower than before."),
    ),
    key=("treatment_unit", "water", "meter", "read_at"),
)  # fmt: skip

_GAUGES = [
    ("feed_pressure_psi", "Feed pressure at the membrane.", 1500, 125),
    ("concentrate_pressure_psi", "Concentrate pressure.", 1500, 119),
    ("permeate_pressure_psi", "Permeate pressure.", 500, 4),
    ("feed_temperature_c", "Feed temperature.", 60, 12.5),
    ("feed_conductivity_us_cm", "Feed conductivity.", 200_000, 630),
    ("permeate_conductivity_us_cm", "Permeate conductivity.", 200_000, 17.5),
    ("permeate_flow_gpm", "Permeate flow.", 10_000, 1.02),
    ("concentrate_flow_gpm", "Concentrate flow.", 10_000, 0.9),
    ("sediment_inlet_psi", "Pressure before the sediment filter.", 500, 62),
    ("sediment_outlet_psi", "Pressure after the sediment filter.", 500, 58),
    ("chlorine_after_carbon_mg_l", "Chlorine found after the carbon.", 50, 0.02),
]
GAUGE_ATTRIBUTES = [name for name, _what, _most, _example in _GAUGES]
PERFORMANCE_READINGS = Sheet(
    "performance_readings",
    "Gauges and flows read at one moment after run-in. Added, never changed.",
    (
        _UNIT,
        from_model(PerformanceReading, "read_at", "When they were read.", required=True, past=True,
                   example="2026-01-15 10:30"),
        *(
            from_model(PerformanceReading, name, what, highest=most, example=example)
            for name, what, most, example in _GAUGES
        ),
        from_model(PerformanceReading, "saw_fines", "Carbon fines seen in the water.", example="no"),
    ),
    key=("treatment_unit", "read_at"),
)  # fmt: skip
