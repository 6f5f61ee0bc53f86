"""PostgreSQL's own programs and how to reach a database with them."""

import glob
import os
import re
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import psycopg
from psycopg import conninfo

from shared.errors import CannotDo

PASSED_ON: Final = {"sslmode", "sslrootcert", "sslcert", "sslkey", "connect_timeout", "service", "options"}


class Place:
    """One database on one server, from Django's settings of it."""

    def __init__(self, settings: dict[str, Any], name: str = ""):
        self.settings = settings
        self.name = name or settings["NAME"]

    def named(self, name: str) -> "Place":
        """Return another database on the same server."""
        return Place(self.settings, name)

    def address(self, *, with_password: bool = False) -> str:
        """Return the connection string; without the password it may stand on a command line."""
        of = self.settings
        given = {"host": of.get("HOST"), "port": of.get("PORT"), "user": of.get("USER"), "dbname": self.name}
        given |= {key: value for key, value in of.get("OPTIONS", {}).items() if key in PASSED_ON}
        if with_password:
            given["password"] = of.get("PASSWORD")
        return conninfo.make_conninfo("", **{key: value for key, value in given.items() if value})

    def connect(self) -> psycopg.Connection:
        """Open a connection that commits by itself."""
        return psycopg.connect(self.address(with_password=True), autocommit=True)

    def run(self, tool: str, arguments: Sequence[str]) -> None:
        """Run one of PostgreSQL's programs. Raises CannotDo with what it said and the remedy."""
        env = dict(os.environ)
        if self.settings.get("PASSWORD"):
            env["PGPASSWORD"] = self.settings["PASSWORD"]
        done = subprocess.run(
            [find_tool(tool), *arguments, "--dbname", self.address()],
            env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            said = done.stderr.strip()[-600:]
            raise CannotDo(f"{tool} failed: {said}", remedy=_remedy(said))


def find_tool(name: str) -> str:
    """Return the newest of PostgreSQL's programs of a name. Raises CannotDo when there is none."""
    found = sorted(glob.glob(f"/usr/lib/postgresql/*/bin/{name}"), key=_version, reverse=True)
    path = found[0] if found else shutil.which(name)
    if path is None:
        raise CannotDo(
            f"{name} is not on this machine.",
            remedy="Install PostgreSQL's client programs, as new as the server or newer. "
            "On Debian: apt-get install postgresql-client",
        )
    return path


def _version(path: str) -> int:
    digits = re.search(r"\d+", Path(path).parent.parent.name)
    return int(digits.group()) if digits else 0


def _remedy(said: str) -> str:
    if "version mismatch" in said or "unsupported version" in said:
        return "Install client programs as new as the server or newer (Debian: postgresql-client-NN)."
    if "lock timeout" in said:
        return "Stop web servers and workers, then try again; nothing was changed."
    if "role" in said and "does not exist" in said:
        return "Create that role on this server first; nothing was changed."
    if "No space left" in said:
        return "Free space on the disk and try again."
    return "Look at what it says; nothing was changed."
