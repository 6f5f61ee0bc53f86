"""A PostgreSQL copy taken from one snapshot, and put back in one transaction."""

import secrets
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import psycopg
from psycopg import sql

from fleet.backup.manifest import TableSum
from fleet.backup.postgres_tools import Place, find_tool
from shared.errors import CannotDo

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
