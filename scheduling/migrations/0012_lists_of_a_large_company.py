"""Indexes in the order in which lists show their rows: a page of a large company reads its own rows only."""

from django.db import migrations, models

from shared.migration_parts import AddIndexConcurrently

STANDING = models.Q(("state__in", ["open", "on_route"]))


class Migration(migrations.Migration):
    atomic = False

    dependencies = [
        ("fleet", "0011_nights_take_what_is_due"),
        ("scheduling", "0011_long_jobs"),
    ]

    operations = [
        AddIndexConcurrently(
            model_name="revenueentry",
            index=models.Index(fields=["month", "id"], name="scheduling_entry_month"),
        ),
        AddIndexConcurrently(
            model_name="revenueentry",
            index=models.Index(fields=["entered_at", "id"], name="scheduling_entry_entered"),
        ),
        AddIndexConcurrently(
            model_name="workorder",
            index=models.Index(
                condition=STANDING, fields=["window_to", "id"], name="scheduling_workorder_by_window"
            ),
        ),
        AddIndexConcurrently(
            model_name="workorder",
            index=models.Index(
                condition=STANDING,
                fields=["kind", "state", "window_to", "-strength", "id"],
                name="scheduling_workorder_by_risk",
            ),
        ),
        AddIndexConcurrently(
            model_name="workorderevent",
            index=models.Index(fields=["at", "id"], name="scheduling_orderevent_at"),
        ),
    ]
