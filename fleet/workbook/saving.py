"""Adds what is new and corrects what changed, a sheet at a time, by natural keys."""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

from django.db import DatabaseError, models, transaction

from fleet.models import AuditArea
from fleet.readings.rows import AHEAD
from fleet.workbook.columns import Column, Kind, Sheet
from fleet.workbook.import_run import BATCH, ImportRun, rows_by_key
from fleet.workbook.parse import ParsedSheet, Row
from shared.messages import joined, message

_SQLITE_TWICE = "UNIQUE constraint failed: "


@dataclass
class Candidate:
    """What a row wants a table's row to be. Values by attribute; a missing one is left as it is."""

    row: Row
    given: dict[str, object]
    """By column: rows of other sheets found, moments in UTC. Blank cells are missing."""
    values: dict[str, object]
    key: Hashable = None
    existing: models.Model | None = None

    def becomes(self, name: str) -> object:
        """Return what an attribute will be: by the file, else as it stands."""
        return self.values.get(name, getattr(self.existing, name, None))


@dataclass
class Outcome:
    """What was added and corrected, with the file's rows."""

    saved: list[tuple[Row, models.Model]] = field(default_factory=list)
    added: list[tuple[Row, models.Model]] = field(default_factory=list)
    corrected_ids: set[int] = field(default_factory=set)


def write_sheet(run: ImportRun, parsed: ParsedSheet) -> None:
    """Put a sheet's good rows into the tables and count them, as the sheet declares."""
    if parsed.sheet.write is not None:
        parsed.sheet.write(run, parsed)
    else:
        save(run, parsed, candidates_of(run, parsed))


def candidates_of(run: ImportRun, parsed: ParsedSheet) -> list[Candidate]:
    """Return what the good rows want; rows that name what isn't there are refused. Weekdays are one each."""
    columns = parsed.sheet.columns
    weekdays = next((c.attribute for c in columns if c.kind is Kind.WEEKDAYS and c.is_own), None)
    candidates = []
    for row in parsed.good_rows:
        given = _given(run, columns, row)
        values = {c.attribute: given[c.name] for c in columns if c.is_own and c.name in given}
        days = values[weekdays] if weekdays else ()
        each = [values | {weekdays: day} for day in days] if weekdays else [values]
        candidates += [Candidate(row, given, one) for one in each]
    return candidates


def _given(run: ImportRun, columns: Iterable[Column], row: Row) -> dict[str, object]:
    given = {}
    for column in columns:
        value = run.find(row, column) if column.refers_to else row.get(column.name)
        if value is not None:
            given[column.name] = value
    site = getattr(given.get("treatment_unit"), "site", None) or given.get("site")
    zone = site.time_zone if site else run.zone_name
    for column in columns:
        value = given.get(column.name)
        if value is None or column.kind not in (Kind.MOMENT, Kind.DATE):
            continue
        if column.kind is Kind.MOMENT:
            # Without a zone of its own it is the place's wall clock.
            value = (value if value.tzinfo else value.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)
            given[column.name] = value
        latest = run.now + AHEAD if column.kind is Kind.MOMENT else (run.now + timedelta(hours=14)).date()
        if column.is_past and value > latest:
            run.refuse(
                row,
                column.name,
                message("This date is in the future."),
                message("Check year, month and day."),
            )
    return given


def _key_part(sheet: Sheet, candidate: Candidate, name: str) -> Hashable:
    base = name.partition("__")[0]
    value = candidate.values.get(base, candidate.given.get(base))
    source = sheet.model._meta.get_field(base)
    return source.default if value is None and source.has_default() else getattr(value, "pk", value)


def save(run: ImportRun, parsed: ParsedSheet, candidates: list[Candidate]) -> Outcome:
    """
    Write candidates: new keys are added, changed values of known ones corrected, equal ones left.

    Returns
    -------
    Outcome
        Rows that stand now. A row that the database refuses is refused with the database's reason.
    """
    sheet = parsed.sheet
    if sheet.prepare is not None:
        sheet.prepare(run, candidates)
    for candidate in candidates:
        key = tuple(_key_part(sheet, candidate, name) for name in sheet.key)
        candidate.key = key if len(key) > 1 else key[0]
    if len(sheet.key) == 1:
        existing = dict(run.fetch(sheet, [candidate.key for candidate in candidates]))
    else:
        existing = rows_by_key(sheet, {c.key[0] for c in candidates if c.key[0] is not None})
    checked = None
    for candidate in candidates:
        candidate.existing = existing.get(candidate.key)
        if sheet.check is not None and candidate.row is not checked:
            for problem in sheet.check(run, candidate):
                run.refuse(candidate.row, *problem)
        checked = candidate.row
    if sheet.check_all is not None:
        sheet.check_all(run, candidates, existing)
    outcome = _save(run, sheet, candidates)
    if len(sheet.key) == 1:
        run.known[sheet.name].update({getattr(obj, sheet.key[0]): obj for _row, obj in outcome.saved})
    if sheet.after is not None:
        touched = {obj.pk for _row, obj in outcome.added} | outcome.corrected_ids
        also = sheet.after(run, outcome) - touched
        run.counts[sheet.name].changed += len(also)
        run.counts[sheet.name].unchanged -= len(also)
    return outcome


def _save(run: ImportRun, sheet: Sheet, candidates: list[Candidate]) -> Outcome:
    seen: dict[Hashable, Row] = {}
    fresh: list[tuple[Row, models.Model]] = []
    changed: list[tuple[Row, models.Model, list[str]]] = []
    unchanged: list[tuple[Row, models.Model]] = []
    for candidate in candidates:
        row, found, values = candidate.row, candidate.existing, candidate.values
        if row.is_refused:
            continue
        if candidate.key in seen:
            number = seen[candidate.key].number
            run.refuse(
                row,
                sheet.key[-1],
                message("Row {number} says the same thing already.", number=number),
                message("Keep one of the two rows."),
            )
            continue
        seen[candidate.key] = row
        if found is None:
            further = sheet.fresh(run, candidate) if sheet.fresh else {}
            fresh.append((row, sheet.model(**values, **further)))
            continue
        differing = [name for name, value in values.items() if _differs(found, name, value)]
        if frozen := [name for name in differing if name in sheet.frozen]:
            column = next(c.name for c in sheet.columns if c.is_own and c.attribute == frozen[0])
            problem = message("{column} stands otherwise already and is not overwritten.", column=column)
            run.refuse(row, column, problem, sheet.frozen_remedy)
            continue
        for name in differing:
            setattr(found, name, values[name])
        if differing:
            changed.append((row, found, differing))
        else:
            unchanged.append((row, found))
    # Corrections first: what comes out of a place makes room for what goes in.
    corrected = _correct(run, sheet.model, changed, sheet.key[-1])
    _note_money(run, sheet, [(obj, names) for row, obj, names in changed if not row.is_refused], "corrected")
    add = sheet.model._base_manager.bulk_create
    _in_batches(run, fresh, sheet.key[-1], lambda part: add([obj for _row, obj in part]))
    added = [(row, obj) for row, obj in fresh if not row.is_refused]
    _note_money(run, sheet, [(obj, sheet.money) for _row, obj in added], "added")
    # A row may fill several rows of the table; it counts once, as the most that happened to it.
    rows_added = {row.number for row, _obj in added}
    rows_changed = {row.number for row, _obj in corrected} - rows_added
    counts = run.counts[sheet.name]
    counts.added += len(rows_added)
    counts.changed += len(rows_changed)
    counts.unchanged += len({row.number for row, _obj in unchanged} - rows_added - rows_changed)
    return Outcome(unchanged + added + corrected, added, {obj.pk for _row, obj in corrected})


def _note_money(
    run: ImportRun, sheet: Sheet, rows: list[tuple[models.Model, Iterable[str]]], done: str
) -> None:
    """Tell the trail of each row with its amounts."""
    what = message("import: money added") if done == "added" else message("import: money corrected")
    for obj, names in rows:
        amounts = [
            f"{name}: {getattr(obj, name)}"
            for name in names
            if name in sheet.money and getattr(obj, name) not in (None, "")
        ]
        if amounts:
            about = getattr(obj, sheet.key[0])
            run.note(what, AuditArea.MONEY, getattr(about, "code", about), joined(", ", amounts))


def _differs(found: models.Model, name: str, value: object) -> bool:
    if isinstance(value, models.Model):
        return getattr(found, f"{name}_id") != value.pk
    return getattr(found, name) != value


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
        run.refuse(row, key_column, _reason(obj, str(error)), message("Correct the row."))


def _reason(obj: models.Model, error: str) -> str:
    """Return the words of the constraint that was broken."""
    for constraint in obj._meta.constraints:
        if constraint.name not in error:
            continue
        if isinstance(constraint, models.UniqueConstraint) and not constraint.condition:
            return message("Another row has the same {list} already.", list=", ".join(constraint.fields))
        return str(constraint.get_violation_error_message())
    if error.startswith(_SQLITE_TWICE):
        columns = error.removeprefix(_SQLITE_TWICE).replace(f"{obj._meta.db_table}.", "").replace("_id", "")
        return message("Another row has the same {columns} already.", columns=columns)
    return message("The database refuses this row: {error}.", error=error.splitlines()[0])
