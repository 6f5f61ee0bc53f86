"""The one file: a tar with the list, the database and the photos.

Back up, check and restore. What is written is proved by restoring it and comparing every table.
"""

import os
import shutil
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.migrations.loader import MigrationLoader

from scheduling.operations import backup_postgres, backup_sqlite
from scheduling.operations.backup_manifest import NAME, Manifest, TableSum, differences, sha256_of
from scheduling.operations.backup_postgres import Place
from shared.errors import CannotDo

PHOTOS = "media"


def hashes_of(folder: Path) -> dict[str, str]:
    """Return every file below a folder with its hash, by its path in the archive."""
    if not folder.is_dir():
        return {}
    files = sorted(path for path in folder.rglob("*") if path.is_file() and not path.is_symlink())
    return {f"{PHOTOS}/{path.relative_to(folder).as_posix()}": sha256_of(path) for path in files}


def write(target: Path, manifest: Manifest, database: Path, photos: Path) -> None:
    """Write the file under another name first, so that a half one never looks whole."""
    half = target.with_name(f"{target.name}.part")
    text = database.with_name(NAME)
    text.write_text(manifest.as_json(), encoding="utf-8")
    try:
        with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            with tarfile.open(fileobj=stream, mode="w") as tar:
                tar.add(text, NAME)
                tar.add(database, database.name)
                for name in manifest.files:
                    tar.add(photos / name.removeprefix(f"{PHOTOS}/"), name)
            stream.flush()
            os.fsync(stream.fileno())
        half.replace(target)
    except OSError as error:
        half.unlink(missing_ok=True)
        raise CannotDo(
            f"The backup could not be written: {error.strerror or error}.",
            remedy="Free space or choose another folder; nothing half-written was left.",
        ) from error


def read_list(file: Path) -> Manifest:
    """Return a backup's list. Raises CannotDo when the file is none of ours."""
    try:
        with tarfile.open(file) as tar:
            member = tar.extractfile(NAME)
            return Manifest.from_json(member.read().decode() if member else "")
    except (tarfile.TarError, KeyError, OSError, UnicodeDecodeError) as error:
        raise CannotDo(f"{file} is no backup of ours, or is cut off.", remedy="Use another file.") from error


def unpack(file: Path, folder: Path) -> Manifest:
    """Unpack a backup and compare every file with the list. Raises CannotDo on any difference."""
    manifest = read_list(file)
    try:
        with tarfile.open(file) as tar:
            tar.extractall(folder, filter="data")
    except (tarfile.TarError, OSError) as error:
        raise CannotDo(f"{file} can't be unpacked: {error}.", remedy="Use another backup.") from error
    promised = {name: digest for name, digest in manifest.files.items()}
    promised[database_in(folder, manifest).name] = manifest.database_sha256
    for name, digest in promised.items():
        path = folder / name
        if not path.is_file() or sha256_of(path) != digest:
            raise CannotDo(f"{name} in the backup is missing or damaged.", remedy="Use another backup.")
    return manifest


def database_in(folder: Path, manifest: Manifest) -> Path:
    """Return where the database lies in an unpacked backup."""
    return folder / ("database.sqlite3" if manifest.engine == "sqlite" else "database.dump")


NOT_CONTENTS: Final = {
    "django_migrations", "django_content_type", "auth_permission", "fleet_taskrun", "fleet_changemark",
}  # fmt: skip
"""Rows of these do not make a database somebody's own."""


def back_up(folder: Path, *, now: datetime, prove: bool = True) -> tuple[Path, Manifest]:
    """Write one file with the database and the photos, while everybody works on.

    Raises CannotDo when it can't be written, or when it does not restore to what it says.
    """
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"tapward-{now:%Y%m%d-%H%M%S}.tar"
    if target.exists():
        raise CannotDo(f"{target} is there already.", remedy="Wait a second and try again.")
    photos = Path(settings.MEDIA_ROOT)
    with _room(folder) as room:
        database, tables, migrations = _copy_database(room)
        # Photos after the database: a row's photo is stored before the row.
        manifest = Manifest(
            engine=connection.vendor,
            made_at=now.isoformat(),
            database_sha256=sha256_of(database),
            tables=tables,
            migrations=sorted(migrations),
            files=hashes_of(photos),
        )
        write(target, manifest, database, photos)
    if prove:
        check(target)
    return target, manifest


def check(file: Path) -> Manifest:
    """Restore a backup into a scratch database and compare it with its list, table by table."""
    with _room(file.parent) as room:
        manifest = unpack(file, room)
        _refuse_other_engine(manifest)
        database = database_in(room, manifest)
        if manifest.engine == "sqlite":
            found = backup_sqlite.table_sums(database)
        else:
            with backup_postgres.scratch(_place()) as place:
                backup_postgres.restore_into(place, database, with_rights=False)
                found = backup_postgres.table_sums(place)
    _compare(manifest, found)
    return manifest


def restore(file: Path, *, over: bool) -> Manifest:
    """Put a backup back: database whole or not at all, then the photos.

    Raises CannotDo, with nothing changed, when the database holds anything and ``over`` is not given.
    """
    with _room(Path(settings.DATA_DIR)) as room:
        manifest = unpack(file, room)
        _refuse_other_engine(manifest)
        _refuse_newer(manifest)
        if not over:
            _refuse_full()
        database = database_in(room, manifest)
        connection.close()
        if manifest.engine == "sqlite":
            _restore_sqlite(database, manifest)
        else:
            backup_postgres.restore_into(_place(), database, with_rights=True)
            _compare(manifest, backup_postgres.table_sums(_place()))
        _put_photos(room / PHOTOS)
    return manifest


def missing_migrations(manifest: Manifest) -> int:
    """Return how many migrations a restored backup still has to go through."""
    return len(_known_migrations() - set(manifest.migrations))


def _copy_database(room: Path) -> tuple[Path, dict[str, TableSum], list[str]]:
    if connection.vendor == "sqlite":
        path = room / backup_sqlite.FILE
        backup_sqlite.copy_database(_sqlite_path(), path)
        return path, backup_sqlite.table_sums(path), backup_sqlite.migrations(path)
    path = room / backup_postgres.FILE
    return path, *backup_postgres.copy_database(_place(), path)


def _restore_sqlite(database: Path, manifest: Manifest) -> None:
    _compare(manifest, backup_sqlite.table_sums(database))
    live = _sqlite_path()
    if live.exists():
        backup_sqlite.copy_database(live, live.with_name(f"{live.name}.before-restore"))
    backup_sqlite.copy_database(database, live)


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


def _compare(manifest: Manifest, found: dict[str, TableSum]) -> None:
    if told := differences(manifest.tables, found):
        raise CannotDo(
            f"The backup does not restore to what it says: {'; '.join(told[:5])}.",
            remedy="Keep it aside and make or use another.",
        )


def _refuse_other_engine(manifest: Manifest) -> None:
    if manifest.engine != connection.vendor:
        raise CannotDo(
            f"The backup is of {manifest.engine}, DATABASE_URL names {connection.vendor}.",
            remedy="Set DATABASE_URL to a database of the backup's kind.",
        )


def _refuse_newer(manifest: Manifest) -> None:
    unknown = sorted(set(manifest.migrations) - _known_migrations())
    if unknown:
        raise CannotDo(
            f"The backup was made by a newer release (it knows {unknown[-1]}).",
            remedy="Install that release, then restore.",
        )


def _refuse_full() -> None:
    tables = set(connection.introspection.table_names()) - NOT_CONTENTS
    ours = {model._meta.db_table for model in apps.get_models(include_auto_created=True)}
    with connection.cursor() as cursor:
        for table in sorted(tables & ours):
            cursor.execute(f"SELECT 1 FROM {connection.ops.quote_name(table)} LIMIT 1")
            if cursor.fetchone():
                raise CannotDo(
                    f"The database is not empty: {table} holds rows.",
                    remedy="To replace everything in it, say --over. Make a backup of it first.",
                )


def _known_migrations() -> set[str]:
    return {f"{app}.{name}" for app, name in MigrationLoader(None, ignore_no_migrations=True).disk_migrations}


def _place() -> Place:
    return Place(connection.settings_dict)


def _sqlite_path() -> Path:
    return Path(connection.settings_dict["NAME"])


@contextmanager
def _room(beside: Path) -> Iterator[Path]:
    """Yield a folder of its own on the same disk, that nobody else may look into."""
    with tempfile.TemporaryDirectory(prefix=".tapward-", dir=beside) as name:
        yield Path(name)
