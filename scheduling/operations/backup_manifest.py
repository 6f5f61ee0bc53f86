"""What a backup says of itself: every table with its rows and a sum over them, every file with its hash."""

import hashlib
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

from shared.errors import CannotDo

FORM: Final = 1
NAME: Final = "manifest.json"


@dataclass(frozen=True)
class TableSum:
    """Rows of a table, and a sum over their contents that does not depend on their order."""

    rows: int
    checksum: str


@dataclass(frozen=True)
class Manifest:
    """The list. ``engine`` is sqlite or postgresql."""

    engine: str
    made_at: str
    database_sha256: str
    tables: dict[str, TableSum]
    migrations: list[str]
    files: dict[str, str] = field(default_factory=dict)
    form: int = FORM

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables.values())

    def as_json(self) -> str:
        """Return the list as it is kept."""
        return json.dumps(asdict(self), indent=1, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> "Manifest":
        """Read the list. Raises CannotDo when it is not one of ours."""
        try:
            given = json.loads(text)
            tables = {name: TableSum(**one) for name, one in given.pop("tables").items()}
            made = cls(**given, tables=tables)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise CannotDo(
                "The file's list of contents can't be read.", remedy="Use another backup."
            ) from error
        if made.form != FORM:
            raise CannotDo(
                f"The backup has form {made.form}.", remedy="Restore it with the release that made it."
            )
        return made


def sha256_of(path: Path) -> str:
    """Return a file's hash."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def differences(promised: dict[str, TableSum], found: dict[str, TableSum]) -> list[str]:
    """Say in words where two databases differ, table by table."""
    told = []
    for name in sorted(promised.keys() | found.keys()):
        was, now = promised.get(name), found.get(name)
        if was is None or now is None:
            told.append(f"table {name} is {'missing' if now is None else 'not in the list'}")
        elif was.rows != now.rows:
            told.append(f"table {name} has {now.rows} rows instead of {was.rows}")
        elif was != now:
            told.append(f"table {name} has other contents")
    return told
