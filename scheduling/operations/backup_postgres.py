"""PostgreSQL's own programs and how to reach a database with them.

A PostgreSQL copy taken from one snapshot, and put back in one transaction.
"""

import glob
import os
import re
import secrets
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import psycopg
from psycopg import conninfo, sql

from scheduling.operations.backup_manifest import TableSum
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


FILE: Final = "database.dump"
# What a row's text depends on is fixed, so that two servers write the same.
_FIXED: Final = (
    "SET TimeZone = 'UTC'", "SET DateStyle = 'ISO'", "SET IntervalStyle = 'postgres'",
    "SET extra_float_digits = 1", "SET bytea_output = 'hex'", "SET statement_timeout = 0",
)  # fmt: skip
_TABLES: Final = """
    SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
    WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') AND NOT c.relispartition ORDER BY c.relname
"""
_SUM: Final = """
    SELECT count(*), coalesce(sum(('x' || substr(md5(t::text), 1, 15))::bit(60)::bigint), 0) FROM {table} t
"""
EMPTY_SCHEMA: Final = """
SET lock_timeout = '10s';
DO $$ DECLARE r record; BEGIN
  FOR r IN SELECT tablename FROM pg_tables WHERE schemaname = 'public' LOOP
    EXECUTE format('DROP TABLE IF EXISTS public.%I CASCADE', r.tablename);
  END LOOP;
  FOR r IN SELECT p.oid::regprocedure AS name FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace
           WHERE n.nspname = 'public' AND NOT EXISTS
             (SELECT 1 FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e') LOOP
    EXECUTE format('DROP ROUTINE IF EXISTS %s CASCADE', r.name);
  END LOOP;
END $$;
SET lock_timeout = 0;
"""
"""Takes away tables and functions, partitions and triggers with them, and leaves the schema's own rights."""


def copy_database(place: Place, target: Path) -> tuple[dict[str, TableSum], list[str]]:
    """Dump a database and return the sums and migrations of the very same snapshot."""
    with place.connect() as connection:
        _fix(connection)
        connection.execute("BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        snapshot = connection.execute("SELECT pg_export_snapshot()").fetchone()[0]
        place.run(
            "pg_dump", ["--format=custom", "--no-owner", "--schema=public", f"--snapshot={snapshot}",
                        f"--file={target}"],
        )  # fmt: skip
        found = _sums(connection), _migrations(connection)
        connection.execute("COMMIT")
    return found


def table_sums(place: Place) -> dict[str, TableSum]:
    """Return rows and sums of every table of a database."""
    with place.connect() as connection:
        _fix(connection)
        return _sums(connection)


def restore_into(place: Place, dump: Path, *, with_rights: bool) -> None:
    """Replace everything in a database by a dump, whole or not at all."""
    script = dump.with_name("restore.sql")
    emptying = dump.with_name("empty.sql")
    emptying.write_text(EMPTY_SCHEMA, encoding="utf-8")
    rights = [] if with_rights else ["--no-privileges"]
    _write_script(dump, script, rights)
    place.run(
        "psql", ["--single-transaction", "--quiet", "--no-psqlrc", "--set=ON_ERROR_STOP=1",
                 "--output=/dev/null", f"--file={emptying}", f"--file={script}"],
    )  # fmt: skip


@contextmanager
def scratch(place: Place) -> Iterator[Place]:
    """Make a database for a moment. Raises CannotDo when the log-in may not make one."""
    name = f"tapward_scratch_{secrets.token_hex(4)}"
    with place.connect() as connection:
        try:
            connection.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(sql.Identifier(name)))
        except psycopg.errors.InsufficientPrivilege as error:
            raise CannotDo(
                "The log-in of DATABASE_URL may not make the scratch database that the check needs.",
                remedy="Let it (ALTER ROLE … CREATEDB), or run the check as another log-in.",
            ) from error
    try:
        yield place.named(name)
    finally:
        with place.connect() as connection:
            connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} (FORCE)").format(sql.Identifier(name)))


def _write_script(dump: Path, script: Path, rights: list[str]) -> None:
    """Have pg_restore write the statements of a dump, without those about the schema itself."""
    command = [find_tool("pg_restore"), "--no-owner", *rights]
    listed = subprocess.run([*command, "--list", str(dump)], capture_output=True, text=True, check=False)
    if listed.returncode:
        raise CannotDo(
            f"The dump can't be read: {listed.stderr.strip()[-300:]}", remedy="Use another backup."
        )
    wanted = script.with_name("contents.list")
    lines = [line for line in listed.stdout.splitlines() if " SCHEMA - public " not in line]
    wanted.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command += [f"--use-list={wanted}", f"--file={script}", str(dump)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CannotDo(f"The dump can't be read: {done.stderr[-300:]}", remedy="Use another backup.")


def _fix(connection: psycopg.Connection) -> None:
    for statement in _FIXED:
        connection.execute(statement)


def _sums(connection: psycopg.Connection) -> dict[str, TableSum]:
    found = {}
    for (name,) in connection.execute(_TABLES).fetchall():
        table = sql.Identifier("public", name)
        rows, total = connection.execute(sql.SQL(_SUM).format(table=table)).fetchone()
        found[name] = TableSum(rows, f"{int(total):x}")
    return found


def _migrations(connection: psycopg.Connection) -> list[str]:
    rows = connection.execute("SELECT app, name FROM django_migrations").fetchall()
    return [f"{app}.{name}" for app, name in rows]
