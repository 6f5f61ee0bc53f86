from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("scheduling", "0001_initial")]

    operations = [
        migrations.AddField(
            model_name="closeout",
            name="form_hash",
            field=models.CharField(
                blank=True,
                editable=False,
                help_text="Of what was sent, to know a repeat from a clash.",
                max_length=64,
            ),
        ),
    ]
