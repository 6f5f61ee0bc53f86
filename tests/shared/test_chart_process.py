"""One process draws for all, comes back when killed, knows no keys, and charts are drawn without it too."""

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
import vl_convert

from shared import chart_process
from shared.chart_process import SOCKET, begin, begun_pids, end_begun, vegalite_to_svg

SPECIFICATION = {
    "data": {"values": [{"x": 1, "y": 2}, {"x": 2, "y": 3}]},
    "mark": "line",
    "encoding": {name: {"field": name, "type": "quantitative"} for name in ("x", "y")},
}
IN_PLACE = vl_convert.vegalite_to_svg(SPECIFICATION)
ASK = """
import json, sys
from pathlib import Path
from shared.chart_process import begun_pids, vegalite_to_svg
sys.stdout.write(vegalite_to_svg(json.loads(sys.argv[2]), folder=Path(sys.argv[1])))
"""
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def folder():
    """A folder of this test; sockets want a short path."""
    with tempfile.TemporaryDirectory() as place:
        yield Path(place) / "d"
        end_begun()
    chart_process._resting.clear()


def drawing_processes(folder):
    """Return the processes that draw at a folder, whoever began them."""
    found = []
    for status in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = status.read_bytes().split(b"\0")
        except OSError:
            continue
        if str(folder).encode() in words and chart_process.__file__.encode() in words:
            found.append(int(status.parent.name))
    return found


def test_it_draws_what_would_be_drawn_in_place(folder):
    assert vegalite_to_svg(SPECIFICATION, folder=folder) == IN_PLACE
    assert vegalite_to_svg(SPECIFICATION, folder=None) == IN_PLACE
    assert len(begun_pids()) == 1


def test_options_reach_it(folder):
    months = {"data": {"values": [{"x": "2026-01-15"}]}, "mark": "point",
              "encoding": {"x": {"field": "x", "type": "temporal", "axis": {"format": "%B"}}}}  # fmt: skip
    assert "enero" in vegalite_to_svg(months, folder=folder, time_format_locale="es-ES")


def test_many_who_ask_at_once_are_served_by_one(folder, monkeypatch):
    monkeypatch.setenv("TAPWARD_SECRET_KEY", "must-not-be-known")
    asked = [
        subprocess.Popen(
            [sys.executable, "-c", ASK, str(folder), json.dumps(SPECIFICATION)],
            cwd=ROOT, stdout=subprocess.PIPE, text=True,
        )
        for _ in range(4)
    ]  # fmt: skip
    begin(folder)
    answers = [one.communicate(timeout=60)[0] for one in asked]
    assert answers == [IN_PLACE] * 4
    first = begun_pids()
    vegalite_to_svg(SPECIFICATION, folder=folder)
    drawing = drawing_processes(folder)
    assert len(drawing) == 1, (drawing, first)
    assert b"must-not-be-known" not in Path(f"/proc/{drawing[0]}/environ").read_bytes()
    os.kill(drawing[0], signal.SIGTERM)


def test_one_that_was_killed_is_followed_by_another(folder):
    vegalite_to_svg(SPECIFICATION, folder=folder)
    [killed] = begun_pids()
    os.kill(killed, signal.SIGKILL)
    assert vegalite_to_svg(SPECIFICATION, folder=folder) == IN_PLACE
    assert len(begun_pids()) == 1
    assert begun_pids() != [killed]


def test_a_folder_others_may_write_is_not_used_and_the_chart_is_drawn_in_place(folder, caplog):
    folder.mkdir(mode=0o700)
    folder.chmod(0o777)
    assert vegalite_to_svg(SPECIFICATION, folder=folder) == IN_PLACE
    assert "in place" in caplog.text
    assert begun_pids() == []
    with pytest.raises(PermissionError, match="not a folder of this person alone"):
        begin(folder)


def test_a_specification_that_cannot_be_drawn_is_refused_and_the_next_is_drawn(folder):
    with pytest.raises(ValueError):
        vegalite_to_svg({"mark": "no such mark"}, folder=folder)
    assert vegalite_to_svg(SPECIFICATION, folder=folder) == IN_PLACE


@pytest.mark.parametrize("sent", [b"\xff\n", b"[]\n", b"{}\n", b"null\n", b"no end"])
def test_nonsense_does_not_end_it(folder, sent):
    vegalite_to_svg(SPECIFICATION, folder=folder)
    before = begun_pids()
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(folder / SOCKET))
        line.sendall(sent)
        line.shutdown(socket.SHUT_WR)
        line.settimeout(30)
        assert b"problem" in line.recv(4096)
    assert vegalite_to_svg(SPECIFICATION, folder=folder) == IN_PLACE
    assert begun_pids() == before


def test_it_ends_when_nobody_asks(folder):
    begin(folder)
    end_begun()
    chart_process.serve(folder, idle_s=0.01)
    assert not (folder / SOCKET).exists()
