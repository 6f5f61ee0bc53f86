import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

REFUSE = (
    "CREATE OR REPLACE FUNCTION fleet_auditentry_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
    "RAISE EXCEPTION 'The audit trail is added to, never changed'; END $$"
)
REFUSE_BUT_FOR_NAMES = """
CREATE OR REPLACE FUNCTION fleet_auditentry_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
  IF TG_OP = 'UPDATE' AND current_setting('tapward.erasing', true) = 'on'
     AND (NEW.id, NEW.at, NEW.area, NEW.what) = (OLD.id, OLD.at, OLD.area, OLD.what)
     AND NEW.by_id IS NOT DISTINCT FROM OLD.by_id THEN
    RETURN NEW;
  END IF;
  RAISE EXCEPTION 'The audit trail is added to, never changed';
END $$
"""
PSEUDONYMISE = r"""
CREATE FUNCTION fleet_auditentry_pseudonymise(words text[], mark text) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT AS $$
DECLARE
  word text;
  pattern text;
  hits bigint;
  changed bigint := 0;
BEGIN
  IF mark !~ '^erased (log-in|technician|customer) [0-9]+$' THEN
    RAISE EXCEPTION 'The mark % is none', mark;
  END IF;
  PERFORM set_config('tapward.erasing', 'on', true);
  FOREACH word IN ARRAY words LOOP
    CONTINUE WHEN length(word) < 3;
    pattern := '(?<!\w)' || regexp_replace(word, '([^[:alnum:][:space:]])', '\\\1', 'g') || '(?!\w)';
    UPDATE fleet_auditentry SET about = left(regexp_replace(about, pattern, mark, 'gi'), 200),
      detail = regexp_replace(detail, pattern, mark, 'gi')
      WHERE about ~* pattern OR detail ~* pattern;
    GET DIAGNOSTICS hits = ROW_COUNT;
    changed := changed + hits;
  END LOOP;
  PERFORM set_config('tapward.erasing', 'off', true);
  RETURN changed;
END $$
"""


def open_for_names(apps, schema_editor):
    """Let one function, and nobody else, put a mark where the trail holds an erased name."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(REFUSE_BUT_FOR_NAMES, params=None)
        schema_editor.execute(PSEUDONYMISE, params=None)
        schema_editor.execute("REVOKE ALL ON FUNCTION fleet_auditentry_pseudonymise(text[], text) FROM PUBLIC")


def close_again(apps, schema_editor):
    """Refuse every change again."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP FUNCTION fleet_auditentry_pseudonymise(text[], text)")
        schema_editor.execute(REFUSE)


class Migration(migrations.Migration):

    dependencies = [
        ("fleet", "0007_audit_trail"),
    ]

    operations = [
        migrations.CreateModel(
            name="SecondFactor",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("salt", models.CharField(editable=False, max_length=32)),
                ("begun_at", models.DateTimeField()),
                ("confirmed_at", models.DateTimeField(blank=True, null=True)),
                ("last_step", models.BigIntegerField(default=0, help_text="Of the last code taken; it opens nothing again.")),
                ("person", models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name="second_factor", to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name="RecoveryCode",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("code_hash", models.CharField(editable=False, max_length=128)),
                ("used_at", models.DateTimeField(blank=True, null=True)),
                ("factor", models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name="recovery_codes", to="fleet.secondfactor")),
            ],
            options={"ordering": ["id"]},
        ),
        migrations.RunPython(open_for_names, close_again),
    ]
