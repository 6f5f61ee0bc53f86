"""How a database is copied, summed and put back: SQLite's online copy, PostgreSQL's own programs.

``Sqlite`` and ``Postgres`` have the same methods: ``copy_to``, ``sums_of`` (a copy) and ``replace_by``.
"""

import glob
import hashlib
import os
import re
import secrets
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import psycopg
from django.conf import settings
from psycopg import conninfo, sql

from shared.errors import DomainError

PATIENCE_S: Final = 60
_MASK: Final = (1 << 128) - 1
_PASSED_ON: Final = {"sslmode", "sslrootcert", "sslcert", "sslkey", "connect_timeout", "service", "options"}
# What a row's text depends on is fixed, so that two servers write the same.
_FIXED: Final = """
    SET TimeZone = 'UTC'; SET DateStyle = 'ISO'; SET IntervalStyle = 'postgres'; SET extra_float_digits = 1;
    SET bytea_output = 'hex'; SET statement_timeout = 0
"""
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
DO $$ BEGIN
  CREATE EXTENSION IF NOT EXISTS pg_trgm WITH SCHEMA public;
EXCEPTION WHEN OTHERS THEN RAISE NOTICE 'pg_trgm: %', SQLERRM;
END $$;
SET lock_timeout = 0;
"""
"""Takes away tables and functions, and leaves the schema's rights. A dump of one schema has no extension."""
_REMEDIES: Final = {
    "version mismatch": "Install client programs as new as the server, or newer (postgresql-client-NN).",
    "unsupported version": "Install client programs as new as those that made the backup, or newer.",
    "unrecognized configuration": "Install client programs of the server's version (postgresql-client-NN).",
    "lock timeout": "Stop web servers and workers, then try again; nothing was changed.",
    r"role .* does not exist": "Create that role on this server first; nothing was changed.",
    "No space left": "Free space on the disk and try again.",
    "": "Look at what it says; nothing was changed.",
}


@dataclass(frozen=True)
class TableSum:
    """Rows of a table, and a sum over their contents that does not depend on their order."""

    rows: int
    checksum: str


Sums = dict[str, TableSum]


class Sqlite:
    """A database file. Copies are consistent while others read and write."""

    file = "database.sqlite3"

    def __init__(self, given: dict[str, Any]):
        self.path = Path(given["NAME"])

    def copy_to(self, target: Path) -> tuple[Sums, list[str]]:
        """Copy the database; return sums and migrations of the copy."""
        _copy_file(self.path, target)
        with closing(sqlite3.connect(f"file:{target}?mode=ro", uri=True)) as copy:
            migrations = copy.execute("SELECT app || '.' || name FROM django_migrations").fetchall()
        return self.sums_of(target), [name for (name,) in migrations]

    def sums_of(self, copy: Path) -> Sums:
        """Return rows and sums of every table of a file. Raises DomainError when the file is damaged."""
        try:
            with closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True, timeout=PATIENCE_S)) as database:
                says = database.execute("PRAGMA integrity_check(1)").fetchone()[0]
                if says == "ok" and (loose := database.execute("PRAGMA foreign_key_check").fetchone()):
                    says = f"table {loose[0]} points at rows that are not there"
                if says != "ok":
                    raise DomainError(f"The database file is damaged: {says}.", remedy="Use another backup.")
                names = database.execute(
                    "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT GLOB 'sqlite_*'"
                ).fetchall()
                return {name: self._sum(database, name) for (name,) in names}
        except sqlite3.DatabaseError as error:
            raise DomainError(
                f"The database file is damaged: {error}.", remedy="Use another backup."
            ) from error

    @contextmanager
    def holding(self, copy: Path) -> Iterator[str]:
        """Yield the name of a database that holds a copy."""
        yield str(copy)

    def replace_by(self, copy: Path, compare: Callable[[Sums], None]) -> None:
        """Put a copy in place of what is there, which is kept beside it."""
        compare(self.sums_of(copy))
        if self.path.exists():
            _copy_file(self.path, self.path.with_name(f"{self.path.name}.before-restore"))
        _copy_file(copy, self.path)

    @staticmethod
    def _sum(database: sqlite3.Connection, table: str) -> TableSum:
        total = rows = 0
        for row in database.execute(f'SELECT * FROM "{table}"'):
            rows += 1
            total += int.from_bytes(hashlib.md5(repr(row).encode(), usedforsecurity=False).digest(), "big")
        return TableSum(rows, f"{total & _MASK:032x}")


class Postgres:
    """One database on one server, from Django's settings of it."""

    file = "database.dump"

    def __init__(self, given: dict[str, Any], name: str = ""):
        self.given = given
        self.name = name or given["NAME"]

    def copy_to(self, target: Path) -> tuple[Sums, list[str]]:
        """Dump the database; return sums and migrations of the very same snapshot."""
        with self.connect() as connection:
            connection.execute("BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            snapshot = connection.execute("SELECT pg_export_snapshot()").fetchone()[0]
            self.run("pg_dump", "--format=custom", "--no-owner", "--schema=public",
                     f"--snapshot={snapshot}", f"--file={target}", *self._where())  # fmt: skip
            migrations = connection.execute("SELECT app || '.' || name FROM django_migrations").fetchall()
            return _sums(connection), [name for (name,) in migrations]

    def sums_of(self, copy: Path) -> Sums:
        """Restore a dump into a scratch database; return rows and sums of every table."""
        with self.scratch() as place:
            place.load(copy, "--no-privileges")
            with place.connect() as connection:
                return _sums(connection)

    @contextmanager
    def holding(self, copy: Path) -> Iterator[str]:
        """Yield the name of a scratch database that holds a dump."""
        with self.scratch() as place:
            place.load(copy, "--no-privileges")
            yield place.name

    def replace_by(self, copy: Path, compare: Callable[[Sums], None]) -> None:
        """Replace everything in the database by a dump, whole or not at all."""
        self.load(copy)
        with self.connect() as connection:
            compare(_sums(connection))

    def load(self, dump: Path, *rights: str) -> None:
        """Empty the schema and put a dump into it, in one transaction."""
        emptying, wanted, script = (dump.with_name(name) for name in ("empty.sql", "contents", "restore.sql"))
        emptying.write_text(EMPTY_SCHEMA, encoding="utf-8")
        # All but the statements about the schema itself, which is there and stays.
        lines = self.run("pg_restore", "--list", str(dump)).splitlines()
        wanted.write_text("\n".join(line for line in lines if " SCHEMA - public " not in line) + "\n")
        self.run("pg_restore", "--no-owner", *rights, f"--use-list={wanted}", f"--file={script}", str(dump))
        self.run("psql", "--single-transaction", "--quiet", "--no-psqlrc", "--set=ON_ERROR_STOP=1",
                 "--output=/dev/null", f"--file={emptying}", f"--file={script}", *self._where())  # fmt: skip

    @contextmanager
    def scratch(self) -> Iterator["Postgres"]:
        """Make a database for a moment. Raises DomainError when the log-in may not make one."""
        name = f"tapward_scratch_{secrets.token_hex(4)}"
        with self.connect() as connection:
            try:
                connection.execute(
                    sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(sql.Identifier(name))
                )
            except psycopg.errors.InsufficientPrivilege as error:
                raise DomainError(
                    "The log-in of DATABASE_URL may not make the scratch database that the check needs.",
                    remedy="Let it (ALTER ROLE … CREATEDB), or run the check as another log-in.",
                ) from error
        try:
            yield Postgres(self.given, name)
        finally:
            with self.connect() as connection:
                connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} (FORCE)").format(sql.Identifier(name)))

    def connect(self) -> psycopg.Connection:
        """Open a connection that commits by itself."""
        connection = psycopg.connect(self._address(password=self.given.get("PASSWORD")), autocommit=True)
        connection.execute(_FIXED)
        return connection

    def run(self, tool: str, *arguments: str) -> str:
        """Run one of PostgreSQL's programs; return what it wrote. Raises DomainError."""
        with self.connect() as connection:
            path = find_tool(tool, connection.info.server_version // 10_000)
        env = dict(os.environ)
        if self.given.get("PASSWORD"):
            env["PGPASSWORD"] = self.given["PASSWORD"]
        done = subprocess.run(
            [path, *arguments], env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
        if done.returncode:
            said = done.stderr.strip()[-600:]
            remedy = next(remedy for sign, remedy in _REMEDIES.items() if re.search(sign, said))
            raise DomainError(f"{tool} failed: {said}", remedy=remedy)
        return done.stdout

    def _where(self) -> Sequence[str]:
        """Return how to reach the database; without the password it may stand on a command line."""
        return "--dbname", self._address()

    def _address(self, **more: Any) -> str:
        of = self.given
        told = {"host": of.get("HOST"), "port": of.get("PORT"), "user": of.get("USER"), "dbname": self.name}
        told |= {key: value for key, value in of.get("OPTIONS", {}).items() if key in _PASSED_ON}
        return conninfo.make_conninfo("", **{key: value for key, value in (told | more).items() if value})


def find_tool(name: str, server_major: int = 0) -> str:
    """Return one of PostgreSQL's programs: of the folder that is set, of the server's version, or the newest.

    Raises DomainError when there is none.
    """
    if folder := settings.POSTGRES_PROGRAMS:
        found = glob.glob(f"{folder}/{name}")
    else:
        found = glob.glob(f"/usr/lib/postgresql/*/bin/{name}")
    path = max(found, key=lambda one: _rank(one, server_major), default=None) or shutil.which(name)
    if path is None:
        raise DomainError(
            f"{name} is not on this machine.",
            remedy="Install PostgreSQL's client programs, as new as the server or newer. "
            "On Debian: apt-get install postgresql-client",
        )
    return path


def _rank(path: str, server_major: int) -> tuple[bool, int]:
    digits = re.search(r"\d+", Path(path).parent.parent.name)
    version = int(digits.group()) if digits else 0
    return version == server_major, version


def _copy_file(source: Path, target: Path) -> None:
    """Copy a database file whole into another, replacing what is there in one transaction."""
    try:
        with (
            closing(sqlite3.connect(source, timeout=PATIENCE_S)) as of,
            closing(sqlite3.connect(target, timeout=PATIENCE_S)) as to,
        ):
            of.backup(to)
    except sqlite3.Error as error:
        raise DomainError(
            f"The database could not be copied: {error}.",
            remedy="Stop what writes to it, free space on the disk, and try again.",
        ) from error


def _sums(connection: psycopg.Connection) -> Sums:
    found = {}
    for (name,) in connection.execute(_TABLES).fetchall():
        table = sql.Identifier("public", name)
        rows, total = connection.execute(sql.SQL(_SUM).format(table=table)).fetchone()
        found[name] = TableSum(rows, f"{int(total):x}")
    return found
