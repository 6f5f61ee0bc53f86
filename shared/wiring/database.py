"""Turns DATABASE_URL into Django's database settings."""

from pathlib import Path

import environ
from django.core.exceptions import ImproperlyConfigured


def database_settings(url: str, data_folder: Path) -> dict:
    """Return the settings of SQLite (default) or PostgreSQL.

    SQLite writes ahead, waits for its lock and checks foreign keys; PostgreSQL keeps connections.
    Raises ImproperlyConfigured for any other engine.
    """
    if not url:
        return sqlite_settings(data_folder / "tapward.sqlite3")
    parsed = environ.Env.db_url_config(url)
    engine = parsed.get("ENGINE", "")
    if "sqlite" in engine:
        return sqlite_settings(Path(parsed["NAME"]))
    if "postgresql" not in engine:
        raise ImproperlyConfigured(
            f"DATABASE_URL names {engine or 'no engine'}. Use postgres://… or sqlite:///… ."
        )
    parsed.update(CONN_MAX_AGE=60, CONN_HEALTH_CHECKS=True)
    # A server that is not there is noticed in seconds, not when the network gives up.
    parsed["OPTIONS"] = {"connect_timeout": 10, **parsed.get("OPTIONS", {})}
    return parsed


def sqlite_settings(path: Path) -> dict:
    """Return the settings of the embedded database."""
    path.parent.mkdir(parents=True, exist_ok=True)
    return {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": str(path),
        "OPTIONS": {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": (
                "PRAGMA journal_mode=WAL;PRAGMA synchronous=NORMAL;PRAGMA foreign_keys=ON;"
                "PRAGMA cache_size=-65536;"
            ),
        },
    }
