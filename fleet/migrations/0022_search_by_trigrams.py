"""Indexes for search: words and codes of what is installed. The expressions are those of fleet.database.matching."""

from django.db import migrations

from shared.migration_parts import AddTrigramIndexes


def _codes(columns: str) -> str:
    return f"TRANSLATE(UPPER({columns}), ' -().+/', '')"


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("fleet", "0021_measured_performance")]

    operations = [
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
