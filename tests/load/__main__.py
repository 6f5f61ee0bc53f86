"""``python -m tests.load``: gunicorn on PostgreSQL under 50 users, beside a bare view of the same bytes.

Starts a PostgreSQL of its own, fills it with a made-up fleet, has users ask for the fleet list, a treatment
unit, the day's page and bulk readings, samples the workers' memory, then asks page by page and the bare view
for the same bytes in turn. Fails when any answer is wrong. Users, server and database share this machine.
``--keep FOLDER`` fills a database there once (a quarter of an hour for 100,000) and measures on it again.
"""

import argparse
import json
import os
import secrets
import subprocess
import sys
import tempfile
import threading
from dataclasses import asdict
from pathlib import Path
from statistics import median, quantiles

from tests import servers

WORKERS = 4
POSTGRES = ["-c", "shared_buffers=256MB", "-c", "synchronous_commit=off"]
SAMPLE_SECONDS = 0.5
TURNS = 3
WARM_UP_SECONDS = 5


def main() -> int:
    """Run it all and print the figures."""
    given = _arguments()
    folder = given.keep or Path(tempfile.mkdtemp(prefix="tapward-load-"))
    folder.mkdir(parents=True, exist_ok=True)
    database = servers.OwnPostgres(POSTGRES, folder / "postgres" if given.keep else None)
    os.environ.update(
        DATABASE_URL=database.url, TAPWARD_SECRET_KEY=_secret(folder), TAPWARD_DATA_DIR=str(folder),
        TAPWARD_API_BULK_CALLS="1000000/min", TAPWARD_LOGS="json", TAPWARD_LOAD_BYTES=str(folder),
    )  # fmt: skip
    os.environ["REDIS_URL"] = servers.redis_url()
    for command in (["migrate", "-v", "0"], ["collectstatic", "--noinput", "-v", "0"]):
        subprocess.run([sys.executable, "manage.py", *command], check=True)
    # Only now: these read the environment.
    from tests.load import users  # noqa: PLC0415
    from tests.load.stock_up import Doors, stock_up  # noqa: PLC0415

    known = folder / "doors.json"
    if known.exists():
        doors = Doors(**json.loads(known.read_text()))
    else:
        doors = stock_up(given.units, given.users)
        known.touch(0o600)
        known.write_text(json.dumps(asdict(doors)))
    if given.only_fill:
        return 0
    ours, bare = _serve("shared.config.wsgi", folder), _serve("tests.load.bare", folder)
    asking = users.Asking(doors, ours.address)
    users.ask_each(asking.looked_at(), users=2 * WORKERS)
    users.ask(_mixed(asking, users.MIX), users=2 * WORKERS, seconds=WARM_UP_SECONDS)
    memory = Memory(ours.process.pid)
    told = users.ask(_mixed(asking, users.MIX), users=given.users, seconds=given.seconds)
    memory.stop()
    _print_mixed(told, memory, given)
    print(f"{'page':<17}{'bytes':>9}{'ours/s':>9}{'bare/s':>9}{'ratio':>8}")
    for page in users.MIX:
        (folder / users.file_name(page)).write_bytes(told.bytes_of[page])
        _print_beside(page, asking, bare.address, given, len(told.bytes_of[page]), told)
    for server in (ours, bare):
        server.process.terminate()
        server.process.wait(20)
    if told.wrong:
        print(f"WRONG: {len(told.wrong)} answers, e.g. {told.wrong[:5]}")
    return 1 if told.wrong else 0


def _secret(folder: Path) -> str:
    """Return the installation's key, the same for a database that was kept: sessions are signed with it."""
    path = folder / "load_key"
    if not path.exists():
        path.touch(0o600)
        path.write_text(secrets.token_urlsafe(60))
    return path.read_text()


class _Server:
    def __init__(self, process: subprocess.Popen, port: int) -> None:
        self.process, self.address = process, f"http://127.0.0.1:{port}"


def _serve(module: str, folder: Path) -> _Server:
    port = servers.free_port()
    log = open(folder / f"{module}.log", "wb")  # noqa: SIM115
    command = [sys.executable, "-m", "gunicorn", f"{module}:application", "--workers", str(WORKERS),
               "--bind", f"127.0.0.1:{port}", "--backlog", "512", "--timeout", "120"]  # fmt: skip
    process = subprocess.Popen(command, stdout=log, stderr=log, preexec_fn=servers.die_with_parent)
    servers.wait_for_port(port, process, folder / f"{module}.log")
    return _Server(process, port)


class Memory:
    """Samples the resident memory of a server's workers until stopped. [MiB]"""

    def __init__(self, parent: int) -> None:
        self.parent, self.samples, self._stopping = parent, [], threading.Event()
        self.thread = threading.Thread(target=self._sample, daemon=True)
        self.thread.start()

    def stop(self) -> None:
        """End the sampling."""
        self._stopping.set()
        self.thread.join()

    def _sample(self) -> None:
        while not self._stopping.wait(SAMPLE_SECONDS):
            found = [_resident_mib(pid) for pid in _children(self.parent)]
            if found:
                self.samples.append(max(found))


def _children(parent: int) -> list[str]:
    return Path(f"/proc/{parent}/task/{parent}/children").read_text().split()


def _resident_mib(pid: str) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS")), 0.0)


def _mixed(asking, mix):
    pages, weights = list(mix), list(mix.values())

    def make(user: int):
        page = asking.chance.choices(pages, weights)[0]
        return page, asking.request(page, user)

    return make


def _print_mixed(told, memory: Memory, given) -> None:
    count = sum(len(one) for one in told.seconds.values())
    print(f"{given.users} users for {given.seconds:.0f} s, {WORKERS} workers: {count:,} answers, "
          f"{count / told.elapsed_s:.1f} a second, {len(told.wrong)} wrong")  # fmt: skip
    print(f"{'page':<17}{'answers':>9}{'median s':>10}{'95 % s':>9}")
    for page, taken in told.seconds.items():
        late = quantiles(taken, n=20)[-1] if len(taken) > 1 else taken[0]
        print(f"{page:<17}{len(taken):>9,}{median(taken):>10.2f}{late:>9.2f}")
    third = max(1, len(memory.samples) // 3)
    first, last = median(memory.samples[:third]), median(memory.samples[-third:])
    print(f"largest worker: {max(memory.samples):.0f} MiB; first third {first:.0f}, last third {last:.0f}")


def _print_beside(page: str, asking, bare: str, given, size: int, told) -> None:
    """Ask ours and the bare view in turns, so that both meet the same machine."""
    ours_rates, bare_rates = [], []
    from tests.load.users import ask  # noqa: PLC0415

    for _ in range(TURNS):
        one = ask(lambda user: (page, asking.request(page, user)), users=given.users, seconds=given.turn)
        ours_rates.append(len(one.seconds[page]) / one.elapsed_s)
        told.wrong += one.wrong
        other = ask(lambda user: ("bare", asking.bare(page, bare)), users=given.users, seconds=given.turn)
        bare_rates.append(len(other.seconds["bare"]) / other.elapsed_s)
        told.wrong += other.wrong
    ratio = median(theirs / ours for ours, theirs in zip(ours_rates, bare_rates, strict=True))
    print(f"{page:<17}{size:>9,}{median(ours_rates):>9.1f}{median(bare_rates):>9.1f}{ratio:>8.1f}")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--units", type=int, default=100_000)
    parser.add_argument("--users", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=120, help="of all kinds mixed")
    parser.add_argument(
        "--turn", type=float, default=4, help="seconds of one kind at a time, three turns each"
    )
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="FOLDER",
        help="fill a database there once and use it again",
    )
    parser.add_argument("--only-fill", action="store_true", help="with --keep: stop once it is filled")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
