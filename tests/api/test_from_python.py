"""What other people's Python does: the worked steps of the page, and a client a stock generator made."""

import importlib
import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.urls import reverse

from api.with_python import OVERRIDES, STEPS
from fleet.models import MeterReading
from tests import factories as make
from tests.api.rows import Caller

pytestmark = pytest.mark.django_db(transaction=True)
GENERATOR = Path(sys.executable).with_name("openapi-python-client")


def test_the_steps_of_the_page_run_as_they_stand(here, live_server, monkeypatch):
    make.meter_reading(here.meter, 245.0, make.NOW - timedelta(days=1))
    caller = Caller(make.person("owner", branch=here.branch))
    monkeypatch.setenv("TAPWARD_URL", live_server.url)
    monkeypatch.setenv("TAPWARD_TOKEN", caller.secret)
    known: dict = {}
    for step in STEPS:
        exec(compile(step.code, str(step.title), "exec"), known)
    assert known["use"][here.unit.serial] == pytest.approx((245.0 - 100.0) / 29)
    assert list(known["due"]["position"]) == ["carbon"]
    assert known["came_of_it"]["recorded"] == 1
    assert known["refused"].empty
    assert known["changed"].json()["access_note"] == "Ring at the gate."
    assert MeterReading.objects.get(source="api").total == 250_000.0


def test_the_page_shows_the_very_steps_that_are_tested(client):
    client.force_login(make.person("planner"))
    page = client.get(reverse("api_with_python"))
    for step in STEPS:
        assert str(step.title) in page.content.decode().replace("&#x27;", "'")
    assert [shown.code for shown in page.context["steps"]] == [step.code for step in STEPS]


def test_a_stock_generators_client_reads_writes_and_is_refused_in_types(
    here, live_server, tmp_path, monkeypatch
):
    schema = tmp_path / "schema.json"
    call_command("spectacular", "--file", str(schema), "--format", "openapi-json")
    config = tmp_path / "config.json"
    config.write_text(json.dumps({"content_type_overrides": OVERRIDES}))
    path = f"{GENERATOR.parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        [GENERATOR, "generate", "--path", str(schema), "--output-path", str(tmp_path / "made"),
         "--meta", "none", "--fail-on-warning", "--config", str(config)],
        capture_output=True, text=True, check=False, env=os.environ | {"NO_COLOR": "1", "PATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    monkeypatch.syspath_prepend(tmp_path)
    made = importlib.import_module("made")
    secret = Caller(make.person("owner", branch=here.branch)).secret
    with made.AuthenticatedClient(base_url=live_server.url, token=secret) as client:
        sites = importlib.import_module("made.api.sites.list_sites").sync(client=client)
        assert [site.code for site in sites.results] == [here.site.code]
        shown = importlib.import_module("made.api.sites.show_site").sync_detailed(here.site.pk, client=client)
        details = importlib.import_module("made.models").PatchedSiteDetailsRequest(access_note="Ring twice.")
        change = importlib.import_module("made.api.sites.change_site")
        answer = change.sync_detailed(
            here.site.pk, client=client, body=details, if_match=shown.headers["ETag"]
        )
        assert (answer.status_code, answer.parsed.access_note) == (200, "Ring twice.")
        again = change.sync_detailed(
            here.site.pk, client=client, body=details, if_match=shown.headers["ETag"]
        )
        assert (again.status_code, json.loads(again.content)["remedy"]) == (
            412, "Read it again, then decide again.",
        )  # fmt: skip
