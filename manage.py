#!/usr/bin/env python
"""Django's door."""

import errno
import os
import sqlite3
import sys
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line
from django.db.utils import OperationalError, ProgrammingError
from psycopg import OperationalError as PostgresAway


def main() -> None:
    """Run a command. The demo keeps to a database of its own unless one is named."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
    if sys.argv[1:2] == ["demo"] and not os.environ.get("DATABASE_URL"):
        os.environ.setdefault("TAPWARD_DATA_DIR", str(Path(__file__).resolve().parent / ".data" / "demo"))
        os.environ.setdefault("TAPWARD_COMPANY", "Clearrun Water Care (invented)")
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit(str(error))
    except (OperationalError, ProgrammingError, sqlite3.Error, PostgresAway, OSError) as error:
        sys.exit(said_plainly(error))


def said_plainly(error: Exception) -> str:
    """Return what is wrong with database or disk and what to do; anything else is raised again."""
    text = str(error).strip()
    if getattr(error, "errno", None) == errno.ENOSPC or "disk is full" in text or "No space left" in text:
        return f"The disk is full: {text.splitlines()[0]}. Free space, then run the command again."
    if "no such table" in text or ("relation" in text and "does not exist" in text):
        return (
            f"The database has no such table yet ({text.splitlines()[0]}). Run manage.py migrate first; "
            "for the demo's own data put TAPWARD_DATA_DIR=.data/demo before the command."
        )
    if "connection" in text or "unable to open" in text:
        return f"The database does not answer: {text.splitlines()[0]}. Start it, or correct DATABASE_URL."
    if isinstance(error, OSError):
        return f"{text}. Check the path, TAPWARD_DATA_DIR among them, and who may read and write there."
    raise error


if __name__ == "__main__":
    main()
