"""Corrects what was recorded: the wrong value stays on record with who, when and why."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import Max, Q

from fleet.models import (
    Corrected,
    Correction,
    Door,
    FeedTest,
    Flush,
    MeterReading,
    Part,
    PerformanceReading,
    Person,
    Site,
    TreatmentUnit,
    WaterSupply,
)
from fleet.readings import meter_readings
from fleet.readings.rows import GAUGES, TESTED, Batch, NewMeterReading, OnDoubt
from shared.errors import DomainError
from shared.messages import message

Values = dict[str, Any]
COUNTS: Final = "is_latest"
"""Corrected to no: the reading was never made here. Its row stays and can be put back."""


@dataclass(frozen=True)
class Kind:
    """A table whose rows can be corrected."""

    model: type[models.Model]
    fields: tuple[str, ...]
    related: tuple[str, ...]
    about: Callable[[Any], str]
    at: str
    """The column that says when."""


KINDS: Final[dict[str, Kind]] = {
    Corrected.TOTAL: Kind(
        MeterReading, ("total", "read_at", COUNTS), ("treatment_unit", "meter"),
        lambda row: f"{row.water} meter {row.meter.serial}".strip(), "read_at",
    ),
    Corrected.GAUGES: Kind(
        PerformanceReading, (*GAUGES, "saw_fines", "read_at", COUNTS), ("treatment_unit",),
        lambda row: f"gauges {row.read_at:%Y-%m-%d}", "read_at",
    ),
    Corrected.FEED_TEST: Kind(
        FeedTest, (*TESTED, "sampled_at"), ("site", "supply"),
        lambda row: f"feed test {row.sampled_at:%Y-%m-%d}", "sampled_at",
    ),
    Corrected.PART: Kind(
        Part, ("installed_at", "removed_at", "removal_reason", "serial", "lot"),
        ("treatment_unit", "position", "kind"),
        lambda row: f"{row.position.code}: {row.kind.name}"[:120], "installed_at",
    ),
    Corrected.FLUSH: Kind(
        Flush, ("kind", "flushed_at", "volume_gal", "minutes", "ran_clear"), ("treatment_unit",),
        lambda row: f"flush {row.flushed_at:%Y-%m-%d}", "flushed_at",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Act:
    """Who corrects, by which door, when and why."""

    reason: str
    by: Person | None
    now: datetime
    door: str = Door.PAGE


def version_of(of: str, pk: int) -> int:
    """Return how often a row was corrected; a page or program says by it what it saw."""
    return Correction.objects.filter(of=of, now_id=pk).count()


def units_touched(of: str, row: Any) -> list[int]:
    """Return the treatment units whose assessment reads the row."""
    if of != Corrected.FEED_TEST:
        return [row.treatment_unit_id]
    sites = Q(site_id=row.site_id) if row.site_id else Q(site__supply_id=row.supply_id)
    return list(TreatmentUnit.objects.filter(sites).order_by("pk").values_list("pk", flat=True))


@transaction.atomic
def correct(of: str, pk: int, values: Values, *, act: Act, version: int | None = None) -> Any:
    """
    Correct some values of one row. Returns the row that stands since.

    Parameters
    ----------
    of : str
        One of ``Corrected``.
    pk : int
    values : dict
        By column, in its own measure; of a register total in the meter's. The same value changes nothing.
    act : Act
    version : int, optional
        ``version_of`` the row as it was seen; somebody else's correction since is refused.

    Raises DomainError, with nothing written, without a reason, when nothing would change, when somebody else
    corrected it meanwhile, or for what can't be: two parts in one position, a date to come, a value out of
    range.
    """
    kind = KINDS[of]
    if not act.reason.strip():
        raise DomainError(
            message("A correction says why."), remedy=message("Write a few words."), field="reason"
        )
    if unknown := sorted(set(values) - set(kind.fields)):
        raise DomainError(
            message("{unknown} can't be corrected here.", unknown=unknown[0]),
            remedy=message("Correct one of: {list}.", list=", ".join(kind.fields)),
        )
    row = _locked(kind, pk)
    is_seen = version is None or version == version_of(of, pk)
    if not is_seen or not (getattr(row, COUNTS, True) or _is_put_back(of, row, values)):
        raise DomainError(
            message("This was corrected by somebody else meanwhile."),
            remedy=message("Load the page again and look at what stands now."),
        )
    changed = {name: value for name, value in values.items() if not _same(getattr(row, name), value)}
    if not changed:
        raise DomainError(
            message("Nothing would change."), remedy=message("Give another value, or leave it as it is.")
        )
    if COUNTS in changed and len(changed) > 1:
        raise DomainError(
            message("What was never read has no other values."),
            remedy=message("Correct either whether it counts, or its values."),
            field=COUNTS,
        )
    _check_moments(changed, act.now)
    if of == Corrected.PART:
        return _correct_part(row, changed, act)
    was = {name: getattr(row, name) for name in changed}
    stands = _set_aside(row, changed) if COUNTS in changed else _WRITES[of](row, changed, act)
    _note(of, row, stands, was, changed, act)
    return stands


def _is_put_back(of: str, row: Any, values: Values) -> bool:
    """Say whether a reading that was said to be none is to count again."""
    last = Correction.objects.filter(of=of, now_id=row.pk).order_by("-pk").first()
    return bool(values.get(COUNTS)) and last is not None and (last.field, last.became) == (COUNTS, "no")


def _set_aside(row: Any, changed: Values) -> Any:
    if changed[COUNTS]:
        key = (
            {"meter": row.meter} if isinstance(row, MeterReading) else {"treatment_unit": row.treatment_unit}
        )
        _refuse_twin(type(row).objects.filter(read_at=row.read_at, is_latest=True, **key), COUNTS)
    type(row).objects.filter(pk=row.pk).update(**changed)
    return row


def _locked(kind: Kind, pk: int) -> Any:
    """Return the row, its treatment unit (or site, or supply) locked until the transaction ends."""
    row = kind.model.objects.select_related(*kind.related).filter(pk=pk).first()
    if row is None:
        raise DomainError(
            message("There is nothing with the number {pk} to correct.", pk=pk),
            remedy=message("Load the page again."),
        )
    holder = next(
        (model, key)
        for model, key in (
            (TreatmentUnit, getattr(row, "treatment_unit_id", None)), (Site, getattr(row, "site_id", None)),
            (WaterSupply, getattr(row, "supply_id", None)),
        )
        if key
    )  # fmt: skip
    list(holder[0].objects.select_for_update().filter(pk=holder[1]).values_list("pk"))
    row.refresh_from_db()
    return row


def _check_moments(changed: Values, now: datetime) -> None:
    batch = Batch("", now)
    for name, value in changed.items():
        if isinstance(value, datetime):
            batch.check_moment(0, 0, name, value)
        elif value is None and name.endswith("_at"):
            raise DomainError(
                message("This needs a date."), remedy=message("Fill in day and time."), field=name
            )
    _refuse(batch.problems)


def _correct_total(row: MeterReading, changed: Values, act: Act) -> MeterReading:
    at, total = changed.get("read_at", row.read_at), changed.get("total", row.total)
    others = MeterReading.objects.filter(meter=row.meter, read_at=at)
    _make_room(row, others, at)
    report = meter_readings.record_meter_readings(
        [NewMeterReading(row.meter_id, at, total, kept_because=act.reason.strip())], source=row.source,
        now=act.now, as_correction=True, on_doubt=OnDoubt.WARN,
    )  # fmt: skip
    _refuse(report.problems)
    return others.select_related("treatment_unit", "meter").get(is_latest=True)


def _correct_gauges(row: PerformanceReading, changed: Values, act: Act) -> PerformanceReading:
    _check_values(changed, GAUGES, act.now)
    at = changed.get("read_at", row.read_at)
    others = PerformanceReading.objects.filter(treatment_unit=row.treatment_unit, read_at=at)
    if at != row.read_at:
        _refuse_twin(others.filter(is_latest=True), "read_at")
    PerformanceReading.objects.filter(pk=row.pk).update(is_latest=False)
    newest = others.aggregate(newest=Max("revision"))["newest"]
    names = (*GAUGES, "saw_fines", "read_at")
    values = {name: getattr(row, name) for name in names} | changed
    return PerformanceReading.objects.create(
        treatment_unit=row.treatment_unit, source=row.source, recorded_at=act.now,
        revision=0 if newest is None else newest + 1, **values,
    )  # fmt: skip


def _check_values(changed: Values, highest: Mapping[str, float], now: datetime) -> None:
    batch = Batch("", now)
    given = {name: value for name, value in changed.items() if name in highest and value is not None}
    batch.check_values(0, 0, given, dict(highest))
    _refuse(batch.problems)


def _refuse_twin(twins: models.QuerySet, field: str) -> None:
    if twins.exists():
        raise DomainError(
            message("Another one of that moment is on record."),
            remedy=message("Correct that one, or choose another time."),
            field=field,
        )


def _make_room(row: MeterReading, others: models.QuerySet, at: datetime) -> None:
    """Let a row that moves in time leave its place, and one set aside where it comes to count again."""
    if at == row.read_at:
        return
    _refuse_twin(others.filter(is_latest=True), "read_at")
    MeterReading.objects.filter(pk=row.pk).update(is_latest=False)
    newest = others.order_by("-revision").first()
    if newest is not None:
        others.filter(pk=newest.pk).update(is_latest=True)


def _correct_test(row: FeedTest, changed: Values, act: Act) -> FeedTest:
    _check_values(changed, TESTED, act.now)
    if "sampled_at" in changed:
        at = changed["sampled_at"]
        twins = FeedTest.objects.filter(site=row.site, supply=row.supply, sampled_at=at)
        _refuse_twin(twins.exclude(pk=row.pk), "sampled_at")
    return _write(row, changed)


def _correct_flush(row: Flush, changed: Values, act: Act) -> Flush:
    return _write(row, changed)


_WRITES: Final = {
    Corrected.TOTAL: _correct_total, Corrected.GAUGES: _correct_gauges, Corrected.FEED_TEST: _correct_test,
    Corrected.FLUSH: _correct_flush,
}  # fmt: skip


def _correct_part(row: Part, changed: Values, act: Act) -> Part:
    """Correct a part; where another came in or went out at the same moment, that moment moves with it."""
    if row.removed_at is None and {"removed_at", "removal_reason"} & changed.keys():
        raise DomainError(
            message("This part is in place."),
            remedy=message("Enter its change instead; it has no day or reason of removal yet."),
            field="removed_at",
        )
    moves: list[tuple[Part, Values]] = [(row, changed)]
    others = Part.objects.filter(position=row.position).exclude(pk=row.pk).select_related("position", "kind")
    if "installed_at" in changed:
        for before in others.filter(removed_at=row.installed_at, installed_at__lt=row.installed_at):
            moves.append((before, {"removed_at": changed["installed_at"]}))
    if "removed_at" in changed:
        for after in others.filter(installed_at=row.removed_at).exclude(removed_at=row.removed_at):
            moves.append((after, {"installed_at": changed["removed_at"]}))
    _refuse_two_in_one(row, moves)
    # What moves away goes first, so that no moment has two.
    for part, values in moves:
        was = {name: getattr(part, name) for name in values}
        _write(part, values)
        _note(Corrected.PART, part, part, was, values, act)
    return row


def _refuse_two_in_one(row: Part, moves: list[tuple[Part, Values]]) -> None:
    moved = {part.pk: values for part, values in moves}
    lives = []
    for part in Part.objects.filter(position=row.position).select_related("kind"):
        values = moved.get(part.pk, {})
        begins = values.get("installed_at", part.installed_at)
        ends = values.get("removed_at", part.removed_at)
        if ends is not None and ends < begins:
            raise DomainError(
                message(
                    "{kind} would be out on {ends:%d %b %Y}, before it was in on {begins:%d %b %Y}.",
                    kind=part.kind.name, ends=ends, begins=begins,
                ),
                remedy=message("Check year, month and day."),
                field=next(iter(moves[0][1])),
            )  # fmt: skip
        if ends != begins:
            lives.append((begins, ends, part))
    lives.sort(key=lambda life: (life[0], life[2].pk))
    for (_, ends, one), (begins, _, other) in pairwise(lives):
        if ends is None or ends > begins:
            raise DomainError(
                message(
                    "Two parts can't be in one position: {one} would be there when {other} came in on "
                    "{begins:%d %b %Y}.",
                    one=one.kind.name, other=other.kind.name, begins=begins,
                ),
                remedy=message("Correct the other part's date first, or choose a day between the changes."),
                field=next(iter(moves[0][1])),
            )  # fmt: skip


def _write(row: Any, changed: Values) -> Any:
    """Put values into the row, as its table allows."""
    for name, value in changed.items():
        setattr(row, name, value)
    try:
        row.full_clean(validate_unique=False)
    except ValidationError as error:
        field, words = next(iter(error.message_dict.items()))
        raise DomainError(words[0], remedy=message("Correct this value."), field=field) from error
    type(row).objects.filter(pk=row.pk).update(**changed)
    return row


def _note(of: str, row: Any, stands: Any, was: Values, changed: Values, act: Act) -> None:
    last = Correction.objects.filter(of=of, now_id=row.pk).order_by("-pk").first()
    first_id = last.first_id if last else row.pk
    Correction.objects.bulk_create(
        Correction(
            of=of, first_id=first_id, now_id=stands.pk,
            treatment_unit_id=getattr(row, "treatment_unit_id", None),
            site_id=getattr(row, "site_id", None), supply_id=getattr(row, "supply_id", None),
            about=KINDS[of].about(row), field=name, was=as_text(was[name]),
            became=as_text(value), reason=act.reason.strip()[:200], by=act.by, door=act.door, at=act.now,
        )
        for name, value in changed.items()
    )  # fmt: skip


def as_text(value: Any) -> str:
    """Write a value as the history keeps it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="seconds")
    return f"{value:.10g}" if isinstance(value, int | float) else str(value)[:60]


def _same(one: Any, other: Any) -> bool:
    return as_text(one) == as_text(other)


def _refuse(problems: list) -> None:
    if problems:
        raise DomainError(problems[0].message, remedy=problems[0].remedy, field=problems[0].field)
