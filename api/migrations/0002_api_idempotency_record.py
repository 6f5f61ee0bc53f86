from django.db import migrations


class Migration(migrations.Migration):
    """Rename the class; the table keeps its name, so nothing changes in the database."""

    SAFE_BECAUSE = "The table keeps its name: only the class is renamed, in the state of migrations."
    dependencies = [("api", "0001_tokens_and_kept_answers")]
    operations = [
        migrations.AlterModelTable("keptanswer", "api_keptanswer"),
        migrations.RenameModel("KeptAnswer", "IdempotencyRecord"),
    ]
