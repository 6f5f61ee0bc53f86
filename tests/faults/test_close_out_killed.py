"""A process killed in the middle of a close-out leaves nothing half-done; the phone sends it again."""

import os
import subprocess
import sys
import uuid
from datetime import timedelta

import pytest
from django.db import connection

from fleet.models import Flush, Part
from scheduling.models import CloseOut, OrderState, StockMovement, WorkOrderEvent
from scheduling.orders.steps import ensure_step_sheets
from scheduling.visits import close_out
from tests import factories as make
from tests import servers
from tests.faults.close_out_process import form_of
from tests.faults.fleet_at_risk import ROOT, database_url, wait_until

pytestmark = [pytest.mark.postgres, pytest.mark.slow, pytest.mark.django_db(transaction=True)]


def start_close_out(order, technician, client_id):
    env = {
        **os.environ,
        "DATABASE_URL": database_url(),
        "DJANGO_SETTINGS_MODULE": "shared.config.settings",
        "TAPWARD_SECRET_KEY": "only-for-tests-" + "x" * 50,
    }
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.faults.close_out_process",
            str(order.pk),
            str(technician.pk),
            client_id,
        ],
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=servers.die_with_parent,
    )  # fmt: skip


def other_transactions():
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
            "AND pid <> pg_backend_pid() AND xact_start IS NOT NULL"
        )
        return cursor.fetchone()[0]


def test_a_close_out_killed_before_its_end_never_happened_and_can_be_sent_again():
    ensure_step_sheets(make.NOW)
    technician, unit = make.technician(), make.treatment_unit()
    old = make.part(make.position(unit, "carbon", 1), installed_at=make.NOW - timedelta(days=100))
    order = make.work_order(unit, part=old)
    client_id = str(uuid.uuid4())

    process = start_close_out(order, technician, client_id)
    assert "not committed" in process.stdout.readline()
    process.kill()
    process.wait(10)
    process.stdout.close()
    wait_until(lambda: other_transactions() == 0, "the killed transaction is gone")

    assert not CloseOut.objects.exists()
    assert not Flush.objects.exists()
    assert not StockMovement.objects.exists()
    assert not WorkOrderEvent.objects.exists()
    assert Part.objects.in_place().get().pk == old.pk
    order.refresh_from_db()
    assert order.state == OrderState.OPEN

    form = form_of(order.pk, technician.pk, client_id, make.NOW)
    close_out.close_out(form, by=None, now=make.NOW)
    close_out.close_out(form, by=None, now=make.NOW)
    assert CloseOut.objects.count() == 1
    assert Part.objects.in_place().get().lot == "NEW-9"
    assert Part.objects.count() == 2
