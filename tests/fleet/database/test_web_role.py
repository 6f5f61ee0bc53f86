"""On a real PostgreSQL, the web's log-in does all of a day's work and can change no table and no trail."""

import io
import json
import os
from datetime import timedelta

import pytest
from django.core.checks import Tags, run_checks
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction
from django.urls import reverse
from django.utils import timezone

from fleet.assessment.runs import assess_fleet
from fleet.database import bulk_write as bulk_rows
from fleet.database import rights
from fleet.models import AuditArea, AuditEntry, MeterReading, PartState
from fleet.people import audit
from shared.roles import Permission
from tests import factories as make
from tests.api.rows import Caller

ROLE = f"tapward_web_of_tests_{os.environ.get('PYTEST_XDIST_WORKER', 'alone')}"
"""A log-in belongs to the whole server, which tests beside these share."""
pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def as_owner(*statements):
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


@pytest.fixture
def owner_name():
    return connection.settings_dict["USER"]


@pytest.fixture
def granted(owner_name):
    """The log-in exists; the tests drop it again."""
    call_command("grant_web_role", ROLE, run=True, stdout=io.StringIO())
    yield
    as_owner(f"DROP OWNED BY {ROLE}", f"DROP ROLE {ROLE}")


@pytest.fixture
def as_web(granted, owner_name):
    """From here on this process is connected as the web's log-in, by a connection of its own."""

    def change(user):
        connection.close()
        connection.settings_dict["USER"] = user

    yield lambda: change(ROLE)
    change(owner_name)


def test_pages_open_and_a_post_is_kept(as_web, client):
    unit = make.whole_unit()
    owner = make.person("owner")
    as_web()
    client.force_login(owner)
    for name, args in (("fleet_list", ()), ("treatment_unit", (unit.serial,)), ("work_orders", ()),
                       ("planner_overview", ()), ("audit_trail", ()), ("operations", ())):  # fmt: skip
        assert client.get(reverse(name, args=args)).status_code == 200, name
    answer = client.post(reverse("own_tokens"), {"name": "Books", "days": 30, "permissions": ["see_fleet"]})
    assert answer.status_code == 200
    assert AuditEntry.objects.filter(what="token made").exists()


def test_the_fleet_is_assessed_and_rows_are_staged_in_a_temporary_table(as_web):
    unit = make.whole_unit()
    as_web()
    assess_fleet(timezone.now(), shard_size=100)
    state = PartState.objects.filter(treatment_unit=unit).first()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bulk_rows, "WORTH_COPYING", 1)
        cells = {field.attname: [getattr(state, field.attname)] for field in PartState._meta.concrete_fields}
        bulk_rows.write_rows(PartState, cells | {"wear": [0.25]}, "part")
    assert PartState.objects.get(pk=state.pk).wear == 0.25


def test_readings_come_in_by_the_api_in_bulk(as_web, client):
    meter = make.meter(make.treatment_unit())
    hub = Caller(make.person("integrator"), [Permission.RECORD_READINGS])
    as_web()
    moment = (timezone.now() - timedelta(hours=1)).isoformat()
    line = json.dumps({"meter_id": meter.pk, "read_at": moment, "total_as_shown": 120}) + "\n"
    for _ in range(2):
        answer = hub.call("POST", "meter-readings/bulk", line, content_type="application/x-ndjson",
                          **{"Idempotency-Key": "one"})  # fmt: skip
        assert answer.json()["recorded"] == 1
    assert MeterReading.objects.filter(meter=meter).count() == 1


@pytest.mark.parametrize(
    "statement",
    [
        "ALTER TABLE fleet_part ADD COLUMN x int",
        "DROP TABLE fleet_failedlogin",
        "TRUNCATE fleet_failedlogin",
        "CREATE TABLE mine (x int)",
        "CREATE INDEX mine ON fleet_part (lot)",
        "ALTER TABLE fleet_auditentry DISABLE TRIGGER ALL",
        "CREATE OR REPLACE FUNCTION fleet_auditentry_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RETURN NEW; END $$",
        "UPDATE fleet_auditentry SET what = ''",
        "UPDATE scheduling_revenueentry SET amount = 0",
        "DELETE FROM scheduling_revenueentry",
        "UPDATE scheduling_invoiceline SET amount = 0",
        "DELETE FROM scheduling_workorderevent",
        "UPDATE scheduling_workorderevent SET what = ''",
        "DELETE FROM scheduling_closedmonth",
        "UPDATE scheduling_closedmonth SET month = '2020-01-01'",
        "UPDATE scheduling_taxrate SET percent = 0",
        "UPDATE scheduling_planprice SET amount = 0",
        "DELETE FROM fleet_historyseal",
        "UPDATE fleet_historyseal SET digest = ''",
        "DELETE FROM fleet_auditentry",
        "SET tapward.erasing = 'on'; UPDATE fleet_auditentry SET about = ''",
        "DELETE FROM django_migrations",
        "ALTER ROLE CURRENT_USER SUPERUSER",
        "ALTER ROLE CURRENT_USER CREATEROLE",
    ],
)
def test_what_the_log_in_may_not(as_web, statement):
    audit.note("plan price set", area=AuditArea.MONEY, by=None, now=timezone.now())
    as_web()
    with (
        pytest.raises(DatabaseError, match=r"permission denied|must be (owner|superuser)"),
        transaction.atomic(),
    ):
        as_owner(statement)
    assert AuditEntry.objects.get().what == "plan price set"


def test_a_table_of_a_later_migration_is_open_to_the_log_in_without_a_second_run(as_web, owner_name):
    as_owner("CREATE TABLE of_a_later_release (x int)")
    as_web()
    as_owner("INSERT INTO of_a_later_release VALUES (1)")
    with pytest.raises(DatabaseError, match="must be owner"):
        as_owner("DROP TABLE of_a_later_release")
    connection.close()
    connection.settings_dict["USER"] = owner_name
    as_owner("DROP TABLE of_a_later_release")


def test_a_second_run_takes_back_what_was_given_by_hand(granted, as_web):
    as_owner(f"GRANT ALL ON fleet_auditentry TO {ROLE}", f"GRANT CREATE ON SCHEMA public TO {ROLE}")
    rights.grant_web_role(ROLE)
    as_web()
    for statement in ("DELETE FROM fleet_auditentry", "CREATE TABLE mine (x int)"):
        with pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
            as_owner(statement)


def warnings_of_deployment():
    found = run_checks(tags=[Tags.security], include_deployment_checks=True)
    return [one for one in found if one.id.startswith("fleet.W")]


def test_the_deployment_check_warns_of_the_owner_and_is_content_with_the_web(as_web):
    (warning,) = warnings_of_deployment()
    assert "alter and drop tables" in warning.msg
    assert "grant_web_role" in warning.hint
    as_web()
    assert warnings_of_deployment() == []


def test_the_command_prints_what_it_would_run_and_changes_nothing():
    out = io.StringIO()
    call_command("grant_web_role", ROLE, stdout=out)
    assert out.getvalue().startswith(f'CREATE ROLE "{ROLE}" LOGIN')
    assert 'REVOKE UPDATE, DELETE, TRUNCATE ON "public".fleet_auditentry' in out.getvalue()
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_roles WHERE rolname = %s", [ROLE])
        assert cursor.fetchone() == (0,)


@pytest.mark.parametrize("name", ['x"; DROP TABLE fleet_part; --', "Web", "", "9web"])
def test_a_name_that_is_none_is_refused(name):
    with pytest.raises(CommandError, match="small letters"):
        call_command("grant_web_role", name, run=True)


def test_the_owner_and_a_superuser_are_no_web_log_in(owner_name):
    with pytest.raises(CommandError, match="the owner itself"):
        call_command("grant_web_role", owner_name, run=True)
    as_owner("CREATE ROLE tapward_mighty SUPERUSER")
    try:
        with pytest.raises(CommandError, match="hold nothing back"):
            call_command("grant_web_role", "tapward_mighty", run=True)
    finally:
        as_owner("DROP ROLE tapward_mighty")
