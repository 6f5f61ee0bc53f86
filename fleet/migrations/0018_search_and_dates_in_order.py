"""All units are assessed anew, dates of findings written before are put in order, and search has its indexes.

The indexes' expressions are those of fleet.database.matching.
"""

from django.db import migrations
from django.db.models import F, Q

from shared.migration_parts import AddTrigramIndexes

BATCH = 2000
FLAG_ALL = (
    "INSERT INTO fleet_changemark (treatment_unit_id, effective_at) "
    "SELECT treatment_unit_id, '1970-01-01 00:00:00{zone}' FROM fleet_unitstate"
)


def flag_all(_apps, schema_editor):
    """Flag what was assessed before; the rest is flagged already."""
    zone = "+00" if schema_editor.connection.vendor == "postgresql" else ""
    schema_editor.execute(FLAG_ALL.format(zone=zone))


def put_in_order(apps, schema_editor):
    """Bring early and late dates to the likely one where they cross it, some at a time."""
    findings = apps.get_model("fleet", "Finding").objects
    for crossed, name in (
        (Q(early_on__gt=F("likely_on")), "early_on"),
        (Q(late_on__lt=F("likely_on")), "late_on"),
    ):
        while ids := list(findings.filter(crossed).values_list("pk", flat=True)[:BATCH]):
            findings.filter(pk__in=ids).update(**{name: F("likely_on")})


def _codes(columns: str) -> str:
    return f"TRANSLATE(UPPER({columns}), ' -().+/', '')"


class Migration(migrations.Migration):
    atomic = False
    replaces = [
        ("fleet", "0018_all_states_are_stale"),
        ("fleet", "0022_search_by_trigrams"),
        ("fleet", "0027_dates_in_order"),
    ]

    dependencies = [("fleet", "0017_register_pages_messages_and_corrections")]

    operations = [
        migrations.RunPython(flag_all, migrations.RunPython.noop, atomic=True),
        migrations.RunPython(put_in_order, migrations.RunPython.noop, elidable=True),
        AddTrigramIndexes(
            {
                "fleet_customer_words": (
                    "fleet_customer", "UPPER(code || ' ' || name || ' ' || email || ' ' || phone)",
                ),
                "fleet_customer_codes": ("fleet_customer", _codes("code || '|' || phone")),
                "fleet_site_words": (
                    "fleet_site", "UPPER(code || ' ' || name || ' ' || address || ' ' || area)",
                ),
                "fleet_site_codes": ("fleet_site", _codes("code")),
                "fleet_treatmentunit_words": ("fleet_treatmentunit", "UPPER(serial || ' ' || label)"),
                "fleet_treatmentunit_codes": ("fleet_treatmentunit", _codes("serial")),
                "fleet_part_serial_codes": ("fleet_part", _codes("serial")),
                "fleet_part_lot_codes": ("fleet_part", _codes("lot")),
                "fleet_meter_codes": ("fleet_meter", _codes("serial")),
            }
        ),
    ]  # fmt: skip
