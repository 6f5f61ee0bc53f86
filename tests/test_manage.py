"""A command on a database that is not ready says what to do, without a traceback."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.db.utils import OperationalError

import manage

ROOT = Path(__file__).resolve().parent.parent


NONE = "/nowhere/none"
ARGUMENTS = {
    "add_person": ["x", "--role", "owner"],
    "assess": [], "back_up": ["{room}/backups"], "backtest": [], "demo": ["--no-serve"],
    "export_invoices": ["--end-month", "2026-10"], "grant_web_role": ["web"],
    "import_fleet": ["{room}/sites.csv"], "import_paid": ["{room}/paid.csv"], "learn_lives": [],
    "listen_meters": ["--name", "x"], "migrate": [], "nightly": [],
    "personal_data": ["customer", "K1"], "plan_routes": ["--from", "2026-11-30"], "raise_work": [],
    "reset_log_in": ["x", "--shut"], "restore": [NONE], "send_webhooks": [], "verify_history": [],
    "who_is": ["1"],
}  # fmt: skip
"""What each command of ours is tried with."""
WITHOUT_TABLES = {"benchmark", "makemessages"}
MAKES_TABLES = {"demo", "migrate"}
WALK = """
import contextlib, io, json, sys
import manage
told = {}
for words in json.loads(sys.argv[1]):
    said = io.StringIO()
    sys.argv = ["manage.py", *words]
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        try:
            manage.main()
            told[words[0]] = "went through"
        except SystemExit as end:
            told[words[0]] = said.getvalue() + (end.code if isinstance(end.code, str) else "")
        except BaseException as error:
            told[words[0]] = f"Traceback {type(error).__name__}: {error}"
print(json.dumps(told))
"""


def walk(room, without=frozenset(), **environment):
    """Try every command of ours in one process; return what each said."""
    (room / "sites.csv").write_text("code,name,customer\nS1,One,K1\n")
    (room / "paid.csv").write_text("number,paid_on\n1,2026-11-01\n")
    ours = {path.stem for path in ROOT.glob("*/management/commands/[a-z]*.py")} - WITHOUT_TABLES
    assert ours == set(ARGUMENTS), "a command is tried with nothing"
    words = [[name, *(word.format(room=room) for word in ARGUMENTS[name])] for name in sorted(ours - without)]
    answer = run(["-c", WALK, json.dumps(words)], TAPWARD_DATA_DIR=str(room), **environment)
    assert answer.returncode == 0, answer.stderr
    return json.loads(answer.stdout.splitlines()[-1])


def test_every_command_says_what_a_database_without_tables_needs(tmp_path):
    told = walk(tmp_path, MAKES_TABLES)
    assert [f"{name}: {text}" for name, text in told.items() if "Traceback" in text or len(text) < 20] == []
    asked = {name for name, text in told.items() if "Run manage.py migrate first" in text}
    assert {"assess", "raise_work", "nightly", "plan_routes", "back_up", "import_fleet"} <= asked


def test_every_command_says_that_the_database_is_away(tmp_path):
    away = "postgres://nobody@127.0.0.1:1/none"
    told = walk(tmp_path, DATABASE_URL=away, TAPWARD_SECRET_KEY="x" * 50)
    assert [f"{name}: {text}" for name, text in told.items() if "Traceback" in text or len(text) < 20] == []
    asked = {name for name, text in told.items() if "correct DATABASE_URL" in text}
    assert {"assess", "raise_work", "nightly", "plan_routes", "migrate", "demo", "import_fleet"} <= asked


@pytest.mark.parametrize(
    ("given", "remedy"),
    [
        ({"TAPWARD_DATA_DIR": "/dev/null/data"}, "TAPWARD_DATA_DIR"),
        ({"TAPWARD_PROXIES": "many"}, "Write digits"),
        ({"DATABASE_URL": "mysql://x@y/z"}, "Use postgres"),
    ],
    ids=["no folder", "no number", "no database of ours"],
)
def test_a_setting_that_cannot_be_is_told_with_its_remedy(tmp_path, given, remedy):
    answer = run(["manage.py", "assess"], **({"TAPWARD_DATA_DIR": str(tmp_path)} | given))
    assert answer.returncode == 1
    assert remedy in answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_full_disk_is_told_with_its_remedy():
    for error in (OSError(28, "No space left on device"), OperationalError("database or disk is full")):
        assert "Free space" in manage.said_plainly(error)


def run(command, **environment):
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    return subprocess.run(
        [sys.executable, *command],
        cwd=ROOT, env={**kept, "DJANGO_SETTINGS_MODULE": "shared.config.settings", **environment},
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
