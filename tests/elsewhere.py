"""Another database for a while: the tests' own connection is pointed at it and brought back."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from django.db import connection

from scheduling.operations.backup_databases import Postgres


@contextlib.contextmanager
def pointed_at(**given) -> Iterator[None]:
    """Point the connection at another NAME, HOST or PORT."""
    kept = {key: connection.settings_dict[key] for key in given}
    connection.close()
    connection.settings_dict.update(given)
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict.update(kept)


@contextlib.contextmanager
def empty_database(folder: Path) -> Iterator[None]:
    """Work in a database without a single table, of the kind the tests run on."""
    if connection.vendor == "sqlite":
        with pointed_at(NAME=str(folder / "another.sqlite3")):
            yield
        return
    with Postgres(connection.settings_dict).scratch() as place, pointed_at(NAME=place.name):
        yield
