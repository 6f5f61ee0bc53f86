"""SQLite's own online copy: consistent while others read and write."""

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from scheduling.operations.backup_manifest import TableSum
from shared.errors import CannotDo

FILE: Final = "database.sqlite3"
PATIENCE_S: Final = 60
_TABLES: Final = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT GLOB 'sqlite_*'"
_MASK: Final = (1 << 128) - 1


def copy_database(source: Path, target: Path) -> None:
    """Copy a database whole into another file, replacing what is there in one transaction.

    Raises CannotDo when the target is held by somebody, or the disk is full.
    """
    try:
        with (
            closing(sqlite3.connect(source, timeout=PATIENCE_S)) as of,
            closing(sqlite3.connect(target, timeout=PATIENCE_S)) as to,
        ):
            of.backup(to)
    except sqlite3.Error as error:
        raise CannotDo(
            f"The database could not be copied: {error}.",
            remedy="Stop what writes to it, free space on the disk, and try again.",
        ) from error


def table_sums(path: Path) -> dict[str, TableSum]:
    """Return rows and sums of every table of a file. Raises CannotDo when the file is damaged."""
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=PATIENCE_S)) as database:
            _check_whole(database)
            return {name: _sum(database, name) for (name,) in database.execute(_TABLES).fetchall()}
    except sqlite3.DatabaseError as error:
        raise CannotDo(f"The database file is damaged: {error}.", remedy="Use another backup.") from error


def migrations(path: Path) -> list[str]:
    """Return the migrations a file has been through."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        return [f"{app}.{name}" for app, name in database.execute("SELECT app, name FROM django_migrations")]


def _check_whole(database: sqlite3.Connection) -> None:
    says = database.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if says != "ok":
        raise CannotDo(f"The database file is damaged: {says}.", remedy="Use another backup.")
    if loose := database.execute("PRAGMA foreign_key_check").fetchone():
        raise CannotDo(f"Table {loose[0]} points at rows that are not there.", remedy="Use another backup.")


def _sum(database: sqlite3.Connection, table: str) -> TableSum:
    total = rows = 0
    for row in database.execute(f'SELECT * FROM "{table}"'):
        rows += 1
        total += int.from_bytes(hashlib.md5(repr(row).encode(), usedforsecurity=False).digest(), "big")
    return TableSum(rows, f"{total & _MASK:032x}")
