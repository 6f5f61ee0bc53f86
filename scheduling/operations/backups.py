"""Back up, check and restore: one tar with a list, the database and the photos.

What is written is proved by restoring it and comparing every table before the file gets its name. Kept by
ourselves: the general backup packages tried write two files and compare nothing.
"""

import hashlib
import json
import os
import shutil
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Final

from django.apps import apps
from django.conf import settings
from django.db import connection, connections
from django.db.migrations.loader import MigrationLoader

from scheduling.operations.backup_databases import Postgres, Sqlite, Sums, TableSum
from shared.errors import DomainError

FORM: Final = 1
LIST: Final = "manifest.json"
PHOTOS: Final = "media"
ENGINES: Final = {"sqlite": Sqlite, "postgresql": Postgres}
NOT_CONTENTS: Final = {
    "django_migrations", "django_content_type", "auth_permission", "fleet_taskrun", "fleet_changemark",
}  # fmt: skip
"""Rows of these do not make a database somebody's own."""


@dataclass(frozen=True)
class Manifest:
    """What a backup says of itself. ``engine`` is sqlite or postgresql; ``files`` are photos and hashes."""

    engine: str
    made_at: str
    database_sha256: str
    tables: Sums
    migrations: list[str]
    files: dict[str, str] = field(default_factory=dict)
    form: int = FORM

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables.values())

    @property
    def missing_migrations(self) -> int:
        """How many migrations a restored backup still has to go through."""
        return len(_known_migrations() - set(self.migrations))

    def compare(self, found: Sums) -> None:
        """Raise DomainError where a database differs from the list."""
        told = []
        for name in sorted(self.tables.keys() | found.keys()):
            was, now = self.tables.get(name), found.get(name)
            if was is None or now is None:
                told.append(f"table {name} is {'missing' if now is None else 'not in the list'}")
            elif was.rows != now.rows:
                told.append(f"table {name} has {now.rows} rows instead of {was.rows}")
            elif was != now:
                told.append(f"table {name} has other contents")
        if told:
            raise DomainError(
                f"The backup does not restore to what it says: {'; '.join(told[:5])}.",
                remedy="Make or use another.",
            )


def back_up(folder: Path, *, now: datetime, prove: bool = True) -> tuple[Path, Manifest]:
    """Write one file with the database and the photos, while everybody works on.

    Raises DomainError, leaving no file, when it can't be written or does not restore to what it says.
    """
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"tapward-{now:%Y%m%d-%H%M%S}.tar"
    if target.exists():
        raise DomainError(f"{target} is there already.", remedy="Wait a second and try again.")
    database = ENGINES[connection.vendor](connection.settings_dict)
    photos = Path(settings.MEDIA_ROOT)
    with _room(folder) as room:
        copy = room / database.file
        tables, migrations = database.copy_to(copy)
        # Photos after the database: a row's photo is stored before the row.
        manifest = Manifest(
            engine=connection.vendor,
            made_at=now.isoformat(),
            database_sha256=_sha256_of(copy),
            tables=tables,
            migrations=sorted(migrations),
            files=_hashes_below(photos),
        )
        unproved = room / "backup.tar"
        _write(unproved, manifest, copy, photos)
        copy.unlink()
        if prove:
            check(unproved)
        unproved.replace(target)
    return target, manifest


def check(file: Path) -> Manifest:
    """Restore a backup into a scratch database and compare it with its list, table by table."""
    with _room(file.parent) as room:
        manifest, database, copy = _unpack(file, room)
        manifest.compare(database.sums_of(copy))
    return manifest


@contextmanager
def opened(file: Path) -> Iterator[str]:
    """Yield the name of a connection to a scratch database that holds a backup."""
    with _room(file.parent) as room:
        _manifest, database, copy = _unpack(file, room)
        with database.holding(copy) as name:
            connections.databases["backup"] = connection.settings_dict | {"NAME": name}
            try:
                yield "backup"
            finally:
                connections["backup"].close()
                del connections["backup"], connections.databases["backup"]


def restore(file: Path, *, over: bool) -> Manifest:
    """Put a backup back: database whole or not at all, then the photos.

    Raises DomainError, with nothing changed, when the database holds anything and ``over`` is not given.
    """
    with _room(Path(settings.DATA_DIR)) as room:
        manifest, database, copy = _unpack(file, room)
        if unknown := sorted(set(manifest.migrations) - _known_migrations()):
            raise DomainError(
                f"The backup was made by a newer release (it knows {unknown[-1]}).",
                remedy="Install that release, then restore.",
            )
        if not over:
            _refuse_full()
        connection.close()
        database.replace_by(copy, manifest.compare)
        _put_photos(room / PHOTOS)
    return manifest


def _write(target: Path, manifest: Manifest, database: Path, photos: Path) -> None:
    listed = target.with_name(LIST)
    listed.write_text(json.dumps(asdict(manifest), indent=1, sort_keys=True), encoding="utf-8")
    try:
        with os.fdopen(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            with tarfile.open(fileobj=stream, mode="w") as tar:
                tar.add(listed, LIST)
                tar.add(database, database.name)
                for name in manifest.files:
                    tar.add(photos / name.removeprefix(f"{PHOTOS}/"), name)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise DomainError(
            f"The backup could not be written: {error.strerror or error}.",
            remedy="Free space or choose another folder; nothing half-written was left.",
        ) from error


def _unpack(file: Path, room: Path) -> tuple[Manifest, Sqlite | Postgres, Path]:
    """Unpack what the list names, and nothing else, and compare it. Returns list, database and its copy.

    Raises DomainError on any difference.
    """
    if not file.is_file():
        raise DomainError(f"There is no file {file}.", remedy="Check the path.")
    try:
        with tarfile.open(file) as tar:
            listed = tar.extractfile(LIST)
            manifest = _manifest_of(listed.read() if listed else b"")
    except (tarfile.TarError, KeyError, OSError) as error:
        raise DomainError(
            f"{file} is no backup of ours, or is cut off.", remedy="Use another file."
        ) from error
    if manifest.engine != connection.vendor:
        raise DomainError(
            f"The backup is of {manifest.engine}, DATABASE_URL names {connection.vendor}.",
            remedy="Set DATABASE_URL to a database of the backup's kind.",
        )
    database = ENGINES[connection.vendor](connection.settings_dict)
    left = {name: digest for name, digest in manifest.files.items() if _is_photo(name)}
    left[database.file] = manifest.database_sha256
    try:
        with tarfile.open(file) as tar:
            # Member by member: the safe way of unpacking a whole archive needs Python 3.11.4.
            for member in tar:
                if not member.isreg() or member.name not in left:
                    continue
                path = room / member.name
                path.parent.mkdir(parents=True, exist_ok=True)
                with tar.extractfile(member) as source, path.open("wb") as target:
                    shutil.copyfileobj(source, target)
                if _sha256_of(path) == left[member.name]:
                    del left[member.name]
    except (tarfile.TarError, OSError) as error:
        raise DomainError(f"{file} can't be unpacked: {error}.", remedy="Use another backup.") from error
    if left or len(manifest.files) != sum(map(_is_photo, manifest.files)):
        name = min(left, default="A file")
        raise DomainError(f"{name} in the backup is missing or damaged.", remedy="Use another backup.")
    return manifest, database, room / database.file


def _manifest_of(text: bytes) -> Manifest:
    try:
        given = json.loads(text)
        tables = {name: TableSum(**one) for name, one in given.pop("tables").items()}
        made = Manifest(**given, tables=tables)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise DomainError(
            "The file's list of contents can't be read.", remedy="Use another backup."
        ) from error
    if made.form != FORM:
        raise DomainError(
            f"The backup has form {made.form}.", remedy="Restore it with the release that made it."
        )
    return made


def _is_photo(name: str) -> bool:
    """Say whether a name stays below the folder of photos."""
    parts = PurePosixPath(name).parts
    return len(parts) > 1 and parts[0] == PHOTOS and ".." not in parts


def _put_photos(given: Path) -> None:
    """Put the backup's photos in place; what was there is kept beside them."""
    place = Path(settings.MEDIA_ROOT)
    if place.exists():
        aside = place.with_name(f"{place.name}.before-restore")
        shutil.rmtree(aside, ignore_errors=True)
        place.rename(aside)
    if given.is_dir():
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(given, place)


def _refuse_full() -> None:
    tables = set(connection.introspection.table_names()) - NOT_CONTENTS
    ours = {model._meta.db_table for model in apps.get_models(include_auto_created=True)}
    with connection.cursor() as cursor:
        for table in sorted(tables & ours):
            cursor.execute(f"SELECT 1 FROM {connection.ops.quote_name(table)} LIMIT 1")
            if cursor.fetchone():
                raise DomainError(
                    f"The database is not empty: {table} holds rows.",
                    remedy="To replace everything in it, say --over. Make a backup of it first.",
                )


def _known_migrations() -> set[str]:
    """Return the steps of this release, and those that its squashes stand for: a database remembers both."""
    disk = MigrationLoader(None, ignore_no_migrations=True).disk_migrations
    return {".".join(step) for key, one in disk.items() for step in (key, *one.replaces)}


def _hashes_below(folder: Path) -> dict[str, str]:
    """Return every file below a folder with its hash, by its path in the archive."""
    files = sorted(path for path in folder.rglob("*") if path.is_file() and not path.is_symlink())
    return {f"{PHOTOS}/{path.relative_to(folder).as_posix()}": _sha256_of(path) for path in files}


def _sha256_of(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def _room(beside: Path) -> Iterator[Path]:
    """Yield a folder of its own on the same disk, that nobody else may look into."""
    with tempfile.TemporaryDirectory(prefix=".tapward-", dir=beside) as name:
        yield Path(name)
