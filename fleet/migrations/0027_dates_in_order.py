"""Early, likely and late dates of findings stand in this order; those written before are put so."""

from django.db import migrations
from django.db.models import F, Q

BATCH = 2000


def put_in_order(apps, schema_editor):
    """Bring early and late dates to the likely one where they cross it, some at a time."""
    findings = apps.get_model("fleet", "Finding").objects
    for crossed, name in (
        (Q(early_on__gt=F("likely_on")), "early_on"),
        (Q(late_on__lt=F("likely_on")), "late_on"),
    ):
        while ids := list(findings.filter(crossed).values_list("pk", flat=True)[:BATCH]):
            findings.filter(pk__in=ids).update(**{name: F("likely_on")})


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("fleet", "0026_places_of_sites")]

    operations = [migrations.RunPython(put_in_order, migrations.RunPython.noop, elidable=True)]
