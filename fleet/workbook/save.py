"""Adds what is new and corrects what changed, a sheet at a time, by natural keys."""

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

from django.db import DatabaseError, models, transaction

from fleet.workbook.parse import ParsedSheet, Row
from fleet.workbook.run import ImportRun

BATCH = 500
_SQLITE_TWICE = "UNIQUE constraint failed: "


@dataclass
class Candidate:
    """What a row wants a table's row to be. Values by attribute; a missing one is left as it is."""

    row: Row
    key: Hashable
    values: dict[str, object]


@dataclass
class Outcome:
    """What was added and corrected, with the file's rows."""

    saved: list[tuple[Row, models.Model]] = field(default_factory=list)
    added: list[tuple[Row, models.Model]] = field(default_factory=list)
    corrected_ids: set[int] = field(default_factory=set)


def save_rows(
    run: ImportRun,
    parsed: ParsedSheet,
    model: type[models.Model],
    candidates: list[Candidate],
    existing: dict[Hashable, models.Model],
    *,
    key_column: str,
    frozen: dict[str, tuple[str, str]] | None = None,
) -> Outcome:
    """
    Write candidates: new keys are added, changed values of known ones corrected, equal ones left.

    Parameters
    ----------
    key_column : str
        The column that a problem with the key is reported at.
    frozen : dict of attribute to (column, remedy)
        What may not be corrected by a file once it stands.

    Returns
    -------
    Outcome
        Rows that stand now. A row that the database refuses is refused with the database's reason.
    """
    counts = run.counts[parsed.sheet.name]
    seen: dict[Hashable, Row] = {}
    fresh: list[tuple[Row, models.Model]] = []
    changed: list[tuple[Row, models.Model, list[str]]] = []
    unchanged: list[int] = []
    outcome = Outcome()
    for candidate in candidates:
        row = candidate.row
        if row.is_refused:
            continue
        if candidate.key in seen:
            run.refuse(row, key_column, f"Row {seen[candidate.key].number} says the same thing already.",
                       "Keep one of the two rows.")  # fmt: skip
            continue
        seen[candidate.key] = row
        found = existing.get(candidate.key)
        if found is None:
            fresh.append((row, model(**candidate.values)))
            continue
        differing = [name for name, value in candidate.values.items() if getattr(found, name) != value]
        if _refuse_frozen(run, row, differing, frozen or {}):
            continue
        for name in differing:
            setattr(found, name, candidate.values[name])
        if differing:
            changed.append((row, found, differing))
        else:
            unchanged.append(row.number)
            outcome.saved.append((row, found))
    # Corrections first: what comes out of a place makes room for what goes in.
    corrected = _correct(run, model, changed, key_column)
    _in_batches(run, fresh, key_column, lambda part: model._base_manager.bulk_create([o for _, o in part]))
    added = [(row, obj) for row, obj in fresh if not row.is_refused]
    # A row may fill several rows of the table; it counts once, as the most that happened to it.
    rows_added = {row.number for row, _obj in added}
    rows_changed = {row.number for row, _obj in corrected} - rows_added
    counts.added += len(rows_added)
    counts.changed += len(rows_changed)
    counts.unchanged += len(set(unchanged) - rows_added - rows_changed)
    outcome.added = added
    outcome.corrected_ids = {obj.pk for _row, obj in corrected}
    outcome.saved += added + corrected
    return outcome


def _refuse_frozen(
    run: ImportRun, row: Row, differing: list[str], frozen: dict[str, tuple[str, str]]
) -> bool:
    for name in differing:
        if name in frozen:
            column, remedy = frozen[name]
            run.refuse(row, column, f"{column} stands otherwise already and is not overwritten.", remedy)
            return True
    return False


def _correct(
    run: ImportRun,
    model: type[models.Model],
    changed: list[tuple[Row, models.Model, list[str]]],
    key_column: str,
) -> list[tuple[Row, models.Model]]:
    names = sorted({name.removesuffix("_id") for _row, _obj, differing in changed for name in differing})
    pairs = [(row, obj) for row, obj, _differing in changed]
    _in_batches(
        run, pairs, key_column, lambda part: model._base_manager.bulk_update([o for _, o in part], names)
    )
    return [(row, obj) for row, obj in pairs if not row.is_refused]


def _in_batches(
    run: ImportRun,
    pairs: list[tuple[Row, models.Model]],
    key_column: str,
    write: Callable[[list[tuple[Row, models.Model]]], object],
) -> None:
    """Write in batches; a batch the database refuses goes row by row, so that only the culprit is refused."""
    for start in range(0, len(pairs), BATCH):
        part = pairs[start : start + BATCH]
        try:
            with transaction.atomic():
                write(part)
        except DatabaseError:
            for pair in part:
                _one(run, pair, key_column, write)
        run.advance(len(part))


def _one(
    run: ImportRun,
    pair: tuple[Row, models.Model],
    key_column: str,
    write: Callable[[list[tuple[Row, models.Model]]], object],
) -> None:
    row, obj = pair
    try:
        with transaction.atomic():
            write([pair])
    except DatabaseError as error:
        run.refuse(row, key_column, _reason(obj, str(error)), "Correct the row.")


def _reason(obj: models.Model, error: str) -> str:
    """Return the words of the constraint that was broken."""
    for constraint in obj._meta.constraints:
        if constraint.name not in error:
            continue
        if isinstance(constraint, models.UniqueConstraint) and not constraint.condition:
            return f"Another row has the same {', '.join(constraint.fields)} already."
        return str(constraint.get_violation_error_message())
    if error.startswith(_SQLITE_TWICE):
        columns = error.removeprefix(_SQLITE_TWICE).replace(f"{obj._meta.db_table}.", "").replace("_id", "")
        return f"Another row has the same {columns} already."
    return f"The database refuses this row: {error.splitlines()[0]}."
