"""One process of a machine draws charts for all that serve pages. Run as a file, this is that process.

The renderer takes about 90 MiB and 0.8 s to start, whoever uses it. Drawn in place, each web process would
pay both; asked for over a socket in a folder of this person alone, the machine pays once. Who finds no one
drawing starts the process; a lock sees to it that only one stays. Where none can be had, charts are drawn in
place. Knows no Django.
"""

import contextlib
import fcntl
import hashlib
import json
import logging
import os
import socket
import socketserver
import stat
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import vl_convert

SOCKET: Final = "socket"
IDLE_S: Final = 900.0
"""Nobody asking for so long ends the process; the next who asks starts another. Ours."""
ANSWER_S: Final = 10.0
"""A chart takes 0.1 s; who waits longer than this draws it in place. Ours."""
START_S: Final = 20.0
REST_S: Final = 60.0
"""So long nobody is asked again after it could not be had: a page must not wait for it chart by chart."""
LONGEST: Final = 20_000_000
"""Of one question. [byte]"""
KEPT: Final = (
    "PATH",
    "HOME",
    "LANG",
    "LC_ALL",
    "TMPDIR",
    "FONTCONFIG_PATH",
    "FONTCONFIG_FILE",
    "XDG_CACHE_HOME",
)
"""What the process may know of the environment: no keys, no passwords."""
_WARM: Final = {"mark": "point", "data": {"values": [{"x": 1}]}, "encoding": {"x": {"field": "x"}}}

log = logging.getLogger(__name__)
_begun: list[subprocess.Popen[bytes]] = []
_resting: dict[Path, float] = {}


def folder_of(data_dir: Path) -> Path:
    """Return where the process of a data folder is met: a short path, as sockets want."""
    told = f"{data_dir.resolve()} {vl_convert.__version__}"
    name = hashlib.sha256(told.encode()).hexdigest()[:12]
    return Path(tempfile.gettempdir()) / f"tapward-{os.getuid()}-{name}"


def vegalite_to_svg(specification: dict[str, Any], *, folder: Path | None, **options: Any) -> str:
    """Return a chart as SVG, drawn by the machine's process, or in place without folder or process.

    Raises
    ------
    ValueError
        The specification cannot be drawn.
    """
    if folder is not None and _resting.get(folder, 0.0) < time.monotonic():
        question = {"specification": specification, "options": options}
        try:
            try:
                return _asked(folder, question)
            except ConnectionError:
                # It ended while asked; another one is started.
                return _asked(folder, question)
        except OSError as error:
            _resting[folder] = time.monotonic() + REST_S
            log.warning("Charts are drawn in place for a minute: %s", type(error).__name__)
    return _drawn(specification, options)


def begin(folder: Path) -> None:
    """Start the process unless it is there already; returns at once.

    Raises
    ------
    OSError
        The folder is not this person's alone, or no process can be started.
    """
    _own(folder)
    for one in [one for one in _begun if one.poll() is not None]:
        _begun.remove(one)
    environment = {name: os.environ[name] for name in KEPT if name in os.environ}
    _begun.append(
        subprocess.Popen(
            [sys.executable, "-I", __file__, str(folder)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env=environment, cwd="/", start_new_session=True,
        )
    )  # fmt: skip


def end_begun() -> None:
    """End what this process has started and wait for it: for tests and measurements."""
    while _begun:
        one = _begun.pop()
        one.terminate()
        one.wait()


def begun_pids() -> list[int]:
    """Return the processes started from here that live."""
    return [one.pid for one in _begun if one.poll() is None]


def serve(folder: Path, idle_s: float = IDLE_S) -> None:
    """Draw for whoever asks until nobody did for a while. Returns at once where another one serves."""
    _own(folder)
    with (folder / "lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return
        _drawn(_WARM, {})
        path = folder / SOCKET
        path.unlink(missing_ok=True)
        with _Server(str(path), _Question) as server:
            server.timeout = idle_s
            while server.is_wanted:
                server.handle_request()
            path.unlink(missing_ok=True)


class _Server(socketserver.UnixStreamServer):
    request_queue_size = 128
    is_wanted = True

    def handle_timeout(self) -> None:
        self.is_wanted = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Who asked has gone or was too slow: the next one's turn."""


class _Question(socketserver.StreamRequestHandler):
    timeout = ANSWER_S

    def handle(self) -> None:
        line = self.rfile.readline(LONGEST)
        try:
            asked = json.loads(line)
            answer = {"svg": _drawn(asked["specification"], asked["options"])}
        except (ValueError, KeyError, TypeError) as error:
            answer = {"problem": str(error)}
        self.wfile.write(json.dumps(answer).encode() + b"\n")


def _asked(folder: Path, question: dict[str, Any]) -> str:
    line = json.dumps(question).encode() + b"\n"
    if len(line) > LONGEST:
        return _drawn(question["specification"], question["options"])
    with _line_to(folder) as line_to, line_to.makefile("rb") as answers:
        line_to.sendall(line)
        got = answers.readline()
    if not got.endswith(b"\n"):
        raise ConnectionResetError("It ended in the middle of an answer.")
    answer = json.loads(got)
    if "problem" in answer:
        raise ValueError(answer["problem"])
    return str(answer["svg"])


def _line_to(folder: Path) -> socket.socket:
    """Return an open line, having started the process where none listens."""
    _own(folder)
    until, is_begun = time.monotonic() + START_S, False
    while True:
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        line.settimeout(ANSWER_S)
        try:
            line.connect(str(folder / SOCKET))
        except (FileNotFoundError, ConnectionRefusedError):
            line.close()
            if time.monotonic() > until:
                raise
        except OSError:
            line.close()
            raise
        else:
            return line
        if not is_begun:
            begin(folder)
            is_begun = True
        time.sleep(0.02)


def _own(folder: Path) -> None:
    """Make the folder, or refuse one that somebody else could have laid there."""
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise PermissionError(f"{folder} is not a folder of this person alone. Take it away.")


def _drawn(specification: dict[str, Any], options: dict[str, Any]) -> str:
    return str(vl_convert.vegalite_to_svg(specification, **options))


if __name__ == "__main__":
    serve(Path(sys.argv[1]))
