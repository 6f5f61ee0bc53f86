"""A command on a database that is not ready says what to do, without a traceback."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    "command", [["assess"], ["raise_work"], ["nightly"], ["plan_routes", "--from", "2026-11-30"]]
)
def test_a_database_without_tables_is_told_with_its_remedy(tmp_path, command):
    answer = run(command, TAPWARD_DATA_DIR=str(tmp_path))
    assert answer.returncode == 1
    assert "Run manage.py migrate first" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_database_that_is_away_is_told_with_its_remedy(tmp_path):
    away = "postgres://nobody@127.0.0.1:1/none"
    answer = run(["assess"], TAPWARD_DATA_DIR=str(tmp_path), DATABASE_URL=away)
    assert answer.returncode == 1
    assert "correct DATABASE_URL" in answer.stderr
    assert "Traceback" not in answer.stderr


def run(command, **environment):
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    return subprocess.run(
        [sys.executable, "manage.py", *command],
        cwd=ROOT, env={**kept, "DJANGO_SETTINGS_MODULE": "shared.config.settings", **environment},
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
