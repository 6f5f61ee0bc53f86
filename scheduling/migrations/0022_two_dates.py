"""Orders have two dates: best by, and their limit."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0019_message_fields"),
        ("scheduling", "0021_new_customer_draft"),
    ]

    operations = [
        migrations.AddField(
            model_name="workorder",
            name="best_by_on",
            field=models.DateField(
                blank=True, help_text="From here on waiting costs more than it saves.", null=True
            ),
        ),
        migrations.AlterField(
            model_name="workorder",
            name="window_to",
            field=models.DateField(help_text="The limit: late is past it."),
        ),
    ]
