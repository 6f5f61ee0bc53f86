"""Steps and cautions of the house's own sheets become messages; what a company wrote stays as it is."""

from django.db import migrations

from shared.messages import message


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


class Migration(migrations.Migration):
    dependencies = [
        ("scheduling", "0013_message_fields"),
    ]

    operations = [
        migrations.RunPython(make_messages, migrations.RunPython.noop),
    ]
