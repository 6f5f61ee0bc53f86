"""Typed readers of the environment. They fail loudly and name the cure.

Turns DATABASE_URL into Django's database settings.
"""

import os
from pathlib import Path
from urllib.parse import urlsplit

import environ
from django.core.exceptions import ImproperlyConfigured

TRUE_WORDS = {"1", "true", "yes", "on"}
FALSE_WORDS = {"0", "false", "no", "off"}


def read_text(name: str, default: str | None = None) -> str:
    """Return a variable, or the text of the file that NAME_FILE points at."""
    if file_name := os.environ.get(f"{name}_FILE"):
        try:
            return Path(file_name).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise ImproperlyConfigured(
                f"{name}_FILE points at {file_name!r}, which can't be read ({error.strerror}). "
                f"Point it at a readable file or unset it."
            ) from error
    value = os.environ.get(name, default)
    if value is None:
        raise ImproperlyConfigured(f"{name} is not set. Set it as shown in .env.example.")
    return value


def read_flag(name: str, default: bool) -> bool:
    """Return a yes-or-no variable."""
    value = os.environ.get(name, "")
    if not value:
        return default
    if value.lower() in TRUE_WORDS:
        return True
    if value.lower() in FALSE_WORDS:
        return False
    raise ImproperlyConfigured(f"{name}={value!r} is neither yes nor no. Write true or false.")


def read_tile_address(name: str) -> str:
    """Return the address of map tiles, empty for none. Raises for one that does not name z, x and y."""
    value = read_text(name, "")
    parts = urlsplit(value)
    whole = all(mark in value for mark in ("{z}", "{x}", "{y}"))
    if value and not (
        parts.scheme in ("http", "https") and parts.netloc and "{" not in parts.netloc and whole
    ):
        raise ImproperlyConfigured(
            f"{name}={value!r} is no address of map tiles. Write one such as "
            "https://tiles.example.com/{z}/{x}/{y}.png, or leave it empty for maps without tiles."
        )
    return value


def origin_of(address: str) -> str:
    """Return scheme and host of an address, as a content security policy names them."""
    parts = urlsplit(address)
    return f"{parts.scheme}://{parts.netloc}"


def read_whole(name: str, default: int, lowest: int = 0) -> int:
    """Return a whole number."""
    value = os.environ.get(name, "")
    if not value:
        return default
    try:
        number = int(value)
    except ValueError as error:
        raise ImproperlyConfigured(
            f"{name}={value!r} is not a whole number. Write digits, e.g. {default}."
        ) from error
    if number < lowest:
        raise ImproperlyConfigured(f"{name}={number} is too small. Write {lowest} or more.")
    return number


def read_list(name: str, default: list[str]) -> list[str]:
    """Return a comma-separated list."""
    value = os.environ.get(name, "")
    return [item.strip() for item in value.split(",") if item.strip()] if value else default


def read_some(name: str, choices: list[str], default: list[str]) -> list[str]:
    """Return some of a few words, comma-separated; ``none`` for none of them."""
    values = read_list(name, default)
    if values == ["none"]:
        return []
    for value in values:
        if value not in choices:
            raise ImproperlyConfigured(
                f"{name} names {value!r}, which is unknown. Choose from: {', '.join(choices)}, or none."
            )
    return values


def read_choice(name: str, choices: list[str], default: str) -> str:
    """Return one of a few words."""
    value = os.environ.get(name, "") or default
    if value not in choices:
        raise ImproperlyConfigured(f"{name}={value!r} is unknown. Choose one of: {', '.join(choices)}.")
    return value


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
