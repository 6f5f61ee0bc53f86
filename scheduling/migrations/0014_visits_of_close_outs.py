"""The house's own steps become messages, and close-outs have visits, found by an index.

What a company wrote stays as it is. What one technician closed at one site on one of its days was one visit.
"""

from itertools import groupby
from zoneinfo import ZoneInfo

from django.db import migrations, models

from shared.messages import message
from shared.migration_parts import AddIndexConcurrently

BATCH = 500


def make_messages(apps, schema_editor):
    sheets = apps.get_model("scheduling", "StepSheet").objects
    own: dict[str, dict] = {}
    for sheet in sheets.filter(made_by__isnull=True):
        texts = own.setdefault(sheet.kind, {})
        texts |= {text: message(text) for text in [*sheet.cautions, *(step["text"] for step in sheet.steps)]}
    for sheet in sheets.all():
        texts = own.get(sheet.kind, {})
        sheet.cautions = [texts.get(text, text) for text in sheet.cautions]
        sheet.steps = [{**step, "text": texts.get(step["text"], step["text"])} for step in sheet.steps]
        sheet.save(update_fields=["cautions", "steps"])


def make_visits(apps, schema_editor):
    CloseOut, Visit = apps.get_model("scheduling", "CloseOut"), apps.get_model("scheduling", "Visit")
    rows = (
        CloseOut.objects.filter(visit__isnull=True)
        .order_by("order__site_id", "technician_id", "finished_at", "pk")
        .values("pk", "client_id", "technician_id", "stop_id", "finished_at", "received_at",
                "order__site_id", "order__site__time_zone")
    )  # fmt: skip
    waiting = []
    for _, group in groupby(rows.iterator(BATCH), key=_visit_of):
        waiting.append(list(group))
        if len(waiting) >= BATCH:
            _write(CloseOut, Visit, waiting)
            waiting = []
    _write(CloseOut, Visit, waiting)


def _visit_of(row):
    day = row["finished_at"].astimezone(ZoneInfo(row["order__site__time_zone"])).date()
    return row["order__site_id"], row["technician_id"], day


def _write(CloseOut, Visit, groups):
    visits = Visit.objects.bulk_create(
        Visit(
            client_id=group[0]["client_id"],
            site_id=group[0]["order__site_id"],
            technician_id=group[0]["technician_id"],
            stop_id=next((row["stop_id"] for row in group if row["stop_id"]), None),
            finished_at=max(row["finished_at"] for row in group),
            received_at=min(row["received_at"] for row in group),
        )
        for group in groups
    )
    CloseOut.objects.bulk_update(
        [
            CloseOut(pk=row["pk"], visit_id=visit.pk)
            for visit, group in zip(visits, groups, strict=True)
            for row in group
        ],
        ["visit"],
        batch_size=BATCH,
    )


class Migration(migrations.Migration):
    SAFE_BECAUSE = "Not atomic: the index is built beside traffic and holds no lock while rows are filled."
    atomic = False
    replaces = [
        ("scheduling", "0014_house_steps_are_messages"),
        ("scheduling", "0016_close_outs_by_visit"),
        ("scheduling", "0017_close_outs_have_visits"),
    ]

    dependencies = [("scheduling", "0013_visits_calendar_prices_and_messages")]

    operations = [
        AddIndexConcurrently(
            model_name="closeout",
            index=models.Index(fields=["visit"], name="scheduling_closeout_of_visit"),
        ),
        migrations.RunPython(make_visits, migrations.RunPython.noop, atomic=True),
        migrations.RunPython(make_messages, migrations.RunPython.noop, atomic=True),
    ]
