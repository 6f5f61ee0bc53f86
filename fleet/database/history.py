"""History that can't be rewritten unseen: each row of it is sealed once, in a chain of digests.

Rows are written as ever and nobody waits for the chain: a task seals what has been committed since, a few
minutes later, one sealer at a time. Only columns that never change are sealed, so that a person's name can be
erased. A chain alone does not show that its end was cut off or that all of it was made anew: the head, noted
elsewhere (in the log, beside a backup), does.
"""

import hashlib
import json
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, Final

from django.db import connections, models, transaction
from django.db.models import Exists, Max, OuterRef

from fleet.database.models import HistorySeal
from shared.errors import DomainError
from shared.messages import message
from shared.model_parts import history_models

MOST_AT_ONCE: Final = 20_000
"""Rows of one table sealed in one go."""
LOOK_BACK: Final = 100_000
"""A row may be committed after one with a later number; it is looked for so far behind the newest sealed."""
_LOCK: Final = 0x7461_7077
"""Number of PostgreSQL's advisory lock that sealers take."""
_CHUNK: Final = 2000
MOST_TOLD: Final = 50


@dataclass
class Proof:
    """What came of looking through the chain."""

    seals: int = 0
    head: str = ""
    altered: list[str] = field(default_factory=list)
    """Rows that are not as they were sealed, or whose seal was altered."""
    lost: list[str] = field(default_factory=list)
    unsealed: int = 0
    """Rows that are not sealed yet."""

    @property
    def is_whole(self) -> bool:
        """Say whether nothing was altered or lost."""
        return not self.altered and not self.lost


def seal(*, using: str = "default") -> int:
    """Seal rows of history that were committed since; return how many. May run twice, also at once."""
    sealed = 0
    with transaction.atomic(using=using):
        _one_at_a_time(using)
        last = HistorySeal.objects.using(using).order_by("-pk").values_list("digest", flat=True).first()
        digest = bytes(last or b"")
        for model in _tables():
            fresh = []
            for key, text in _texts(model, _unsealed(model, using).order_by("pk")[:MOST_AT_ONCE]):
                digest = _digest(digest, text)
                fresh.append(HistorySeal(table=model._meta.db_table, row=key, digest=digest))
            HistorySeal.objects.using(using).bulk_create(fresh, batch_size=_CHUNK)
            sealed += len(fresh)
    return sealed


def head(*, using: str = "default") -> str:
    """Return the newest seal as it is noted elsewhere: its number and digest. Empty when there is none."""
    last = HistorySeal.objects.using(using).order_by("-pk").first()
    return f"{last.pk}:{bytes(last.digest).hex()}" if last else ""


def verify(*, expected: str = "", using: str = "default") -> Proof:
    """Look through the whole chain and every row it sealed.

    Parameters
    ----------
    expected : str
        A head noted earlier: the seal of this number must have this digest.

    Raises DomainError for a head that is none.
    """
    number, wanted = _noted(expected)
    proof, tables, before = Proof(), {model._meta.db_table: model for model in _tables()}, b""
    seals = HistorySeal.objects.using(using).order_by("pk")
    last_pk = 0
    while chunk := list(seals.filter(pk__gt=last_pk)[:_CHUNK]):
        texts = _rows_of(chunk, tables, using)
        for one in chunk:
            place, text = f"{one.table} {one.row}", texts.get((one.table, one.row))
            if text is None:
                proof.lost.append(place)
            elif _digest(before, text) != bytes(one.digest):
                proof.altered.append(place)
            before = bytes(one.digest)
            if one.pk == number and before.hex() != wanted:
                proof.altered.append(f"seal {number}")
        proof.seals += len(chunk)
        last_pk = chunk[-1].pk
    if number > last_pk or (number and not seals.filter(pk=number).exists()):
        proof.lost.append(f"seal {number}")
    proof.head = head(using=using)
    proof.unsealed = sum(_unsealed(model, using, look_back=None).count() for model in tables.values())
    return proof


def _tables() -> list[type[models.Model]]:
    return [model for model in history_models() if model is not HistorySeal]


def _unsealed(
    model: type[models.Model], using: str, look_back: int | None = LOOK_BACK
) -> models.QuerySet[models.Model]:
    seals = HistorySeal.objects.using(using).filter(table=model._meta.db_table)
    rows = model._base_manager.using(using).filter(~Exists(seals.filter(row=OuterRef("pk"))))
    newest = seals.aggregate(newest=Max("row"))["newest"] if look_back is not None else None
    return rows.filter(pk__gt=newest - look_back) if newest else rows


def _texts(model: type[models.Model], rows: models.QuerySet) -> list[tuple[int, str]]:
    """Return each row's key and what is sealed of it; a column that is empty is as if it weren't there."""
    names = model.history.sealed(model)  # type: ignore[attr-defined]
    table = model._meta.db_table
    found = []
    for key, *row in rows.values_list("pk", *names):
        cells = {name: _plain(value) for name, value in zip(names, row, strict=True) if value is not None}
        found.append((key, json.dumps([table, key, cells])))
    return found


def _plain(value: Any) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return format(value, "f") if isinstance(value, Decimal) else str(value)


def _digest(before: bytes, text: str) -> bytes:
    return hashlib.sha256(before + text.encode()).digest()


def _rows_of(
    seals: list[HistorySeal], tables: dict[str, type[models.Model]], using: str
) -> dict[tuple[str, int], str]:
    wanted = defaultdict(list)
    for one in seals:
        wanted[one.table].append(one.row)
    return {
        (table, key): text
        for table, keys in wanted.items()
        if table in tables
        for start in range(0, len(keys), 500)
        for key, text in _texts(
            tables[table], tables[table]._base_manager.using(using).filter(pk__in=keys[start : start + 500])
        )
    }


def _noted(expected: str) -> tuple[int, str]:
    if not expected:
        return 0, ""
    number, _, digest = expected.partition(":")
    if not (number.isascii() and number.isdigit() and len(number) < 19 and len(digest) == 64):
        raise DomainError(
            message("{text!r} is no head of the history.", text=expected[:90]),
            remedy=message("Give it as it was noted: number:digest."),
        )
    return int(number), digest.lower()


def _one_at_a_time(using: str) -> None:
    """Have other sealers wait; whoever writes history does not."""
    if connections[using].vendor == "postgresql":
        with connections[using].cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])
