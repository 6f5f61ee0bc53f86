"""A caller whose body is refused gets the answer, however long the body, and keeps the connection."""

import http.client
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests import servers

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def server(tmp_path):
    """The web server as the README starts it, with a thread for each kept connection."""
    port = servers.free_port()
    command = [sys.executable, "-m", "gunicorn", "shared.config.wsgi", "--bind", f"127.0.0.1:{port}"]
    env = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    env |= {"TAPWARD_DATA_DIR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "shared.config.settings"}
    process = subprocess.Popen([*command, "--threads", "2"], cwd=ROOT, env=env, stderr=subprocess.DEVNULL)
    yield port
    process.terminate()
    process.wait()


def connect(port: int) -> http.client.HTTPConnection:
    """Return a connection, once somebody listens there."""
    for _ in range(600):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        try:
            connection.connect()
        except OSError:
            time.sleep(0.1)
        else:
            # Refused rather than opened anew, so that a broken connection is seen.
            connection.auto_open = 0
            return connection
    raise AssertionError("Nobody listens.")


@pytest.mark.slow
def test_a_body_too_large_is_answered_and_the_connection_kept(server):
    connection = connect(server)
    for megabytes in (3, 40):
        connection.request("POST", "/log-in/", b"x" * (megabytes * 1024 * 1024))
        answer = connection.getresponse()
        assert answer.status == 413
        assert b"Send less" in answer.read()
    connection.request("GET", "/healthz")
    assert connection.getresponse().status == 200
    connection.close()
