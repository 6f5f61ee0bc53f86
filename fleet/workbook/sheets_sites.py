"""Sheets of branches, customers, water supplies, feed tests and sites."""

from fleet.models import Branch, Customer, FeedTest, Site, WaterSupply
from fleet.workbook.columns import Sheet, from_model, reference
from fleet.workbook.measures_met import HARDNESS

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
