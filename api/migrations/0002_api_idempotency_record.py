from django.db import migrations


class Migration(migrations.Migration):
    """Rename the class; the table keeps its name, so nothing changes in the database."""

    dependencies = [("api", "0001_tokens_and_kept_answers")]
    operations = [
        migrations.AlterModelTable("keptanswer", "api_keptanswer"),
        migrations.RenameModel("KeptAnswer", "IdempotencyRecord"),
    ]
