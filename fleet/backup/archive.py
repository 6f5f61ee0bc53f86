"""The one file: a tar with the list, the database and the photos."""

import os
import tarfile
from pathlib import Path

from fleet.backup.manifest import NAME, Manifest, sha256_of
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
