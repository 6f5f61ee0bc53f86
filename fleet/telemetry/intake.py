"""Finds the treatment units and meters that messages speak of.

Takes a batch of messages: readings recorded, what can't be taken kept with its reason. One transaction.
Tries a refused message again, after its cause was mended.

The same batch again records nothing twice: readings are known by meter and moment, refused messages by their
content. So a listener may die between saving and acknowledging.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction

from fleet.models import (
    DeadLetter,
    DeadLetterState,
    Meter,
    Person,
    ReadingSource,
    TelemetryMap,
    TreatmentUnit,
)
from fleet.readings.gauges import record_performance_readings
from fleet.readings.meter_in_place import meter_in_place
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading, NewPerformanceReading, chunks
from fleet.telemetry import dead_letters, last_seen, mapping
from fleet.telemetry.dead_letters import Message, Refused
from fleet.telemetry.mapping import AS_SHOWN, TOTALS
from fleet.telemetry.payload import Sample, Unreadable, samples
from shared.errors import DomainError, RowProblem
from shared.measures import Measure
from shared.messages import message


@dataclass(frozen=True)
class KnownUnit:
    """A treatment unit with its meters by water."""

    pk: int
    branch_id: int
    meters: dict[str, list[Meter]] = field(default_factory=dict)


def known_units(serials: Iterable[str]) -> dict[str, KnownUnit]:
    """Return treatment units by serial. Two queries per 400."""
    known: dict[str, KnownUnit] = {}
    for part in chunks(sorted(set(serials))):
        rows = TreatmentUnit.objects.filter(serial__in=part).values_list("pk", "serial", "site__branch_id")
        by_pk = {pk: known.setdefault(serial, KnownUnit(pk, branch)) for pk, serial, branch in rows}
        for meter in Meter.objects.filter(treatment_unit__in=by_pk).order_by("-pk"):
            by_pk[meter.treatment_unit_id].meters.setdefault(meter.water, []).append(meter)
    return known


def meter_read(unit: KnownUnit, water: str, read_at: datetime) -> Meter:
    """Return the meter that counted this water at a moment. Raises Unreadable when there was none."""
    meter = meter_in_place(unit.meters.get(water, []), read_at)
    if meter is None:
        raise Unreadable(
            message("The treatment unit had no {water} meter at this moment.", water=water),
            field=f"{water}_total",
            remedy=message("Check the moment, or add the meter first."),
        )
    return meter


@dataclass
class Taken:
    """What came of a batch."""

    messages: int = 0
    recorded: int = 0
    duplicates: int = 0
    refused: list[Refused] = field(default_factory=list)


@dataclass
class _Batch:
    """Readings of a batch, each with the place of its message."""

    totals: list[NewMeterReading] = field(default_factory=list)
    gauges: list[NewPerformanceReading] = field(default_factory=list)
    sources: list[last_seen.Heard] = field(default_factory=list)
    refused: dict[int, Refused] = field(default_factory=dict)


@transaction.atomic
def take(messages: Sequence[Message], *, now: datetime) -> Taken:
    """Record a batch, keep what is refused, count the day, note who was heard."""
    taken = record(messages, now=now)
    dead_letters.keep(taken.refused, now=now)
    last_seen.count_day(now, len(messages), taken.recorded, taken.duplicates, len(taken.refused))
    return taken


@transaction.atomic
def record(messages: Sequence[Message], *, now: datetime) -> Taken:
    """Record what can be recorded of messages; the rest is returned with its reason."""
    batch = _Batch()
    standing = mapping.standing_maps(now)
    read = [_read(batch, place, message, standing) for place, message in enumerate(messages)]
    units = known_units(sample.serial for found in read for _, sample in found)
    for place, found in enumerate(read):
        for name, sample in found:
            _add(batch, place, messages[place], name, sample, units.get(sample.serial))
    meters = record_meter_readings(
        batch.totals, source=ReadingSource.TELEMETRY, now=now, accept_good_rows=True, sheet="telemetry"
    )
    gauges = record_performance_readings(
        batch.gauges, source=ReadingSource.TELEMETRY, now=now, accept_good_rows=True, sheet="telemetry"
    )
    for problem in (*meters.problems, *gauges.problems):
        _refuse_row(batch, problem, messages, read, units)
    last_seen.note([one for one in batch.sources if one.place not in batch.refused], now=now)
    return Taken(
        messages=len(messages),
        recorded=meters.recorded + gauges.recorded,
        duplicates=meters.duplicates + gauges.duplicates,
        refused=[batch.refused[place] for place in sorted(batch.refused)],
    )


def _read(
    batch: _Batch, place: int, received: Message, standing: Sequence[TelemetryMap]
) -> list[tuple[str, Sample]]:
    """Return the samples every matching mapping finds in a message; refuse it at the first fault."""
    found: list[tuple[str, Sample]] = []
    is_known = False
    for how in standing:
        named = mapping.match(how.topic, received.topic)
        if named is None:
            continue
        is_known = True
        try:
            found += [(how.name, sample) for sample in samples(received.payload, how.__dict__, named)]
        except Unreadable as why:
            batch.refused.setdefault(place, Refused.because(received, why, how.name))
    if not is_known:
        why = Unreadable(message("No mapping is in use for this topic."), field="topic",
                         remedy=message("Add a mapping, or switch it on again, then retry."))  # fmt: skip
        batch.refused[place] = Refused.because(received, why, "")
    return found


def _add(
    batch: _Batch, place: int, received: Message, name: str, sample: Sample, unit: KnownUnit | None
) -> None:
    """Add a sample's readings to the batch, or refuse its message."""
    if unit is None:
        why = Unreadable(
            message("There is no treatment unit {serial}.", serial=sample.serial),
            field="serial",
            remedy=message("Bring it in first, then retry."),
        )
        batch.refused.setdefault(place, Refused.because(received, why, name))
        return
    for value in sample.totals:
        water = TOTALS[value.quantity]
        try:
            meter = meter_read(unit, water, sample.read_at)
        except Unreadable as why:
            batch.refused.setdefault(place, Refused.because(received, why, name, unit.branch_id))
            continue
        measure = None if value.measure == AS_SHOWN else Measure(value.measure)
        batch.totals.append(NewMeterReading(meter.pk, sample.read_at, value.value, measure, place))
        batch.sources.append(last_seen.Heard(place, unit.pk, water, sample.read_at))
    if sample.gauges:
        batch.gauges.append(NewPerformanceReading(unit.pk, sample.read_at, sample.gauges, row=place))
        batch.sources.append(last_seen.Heard(place, unit.pk, "gauges", sample.read_at))


def _refuse_row(
    batch: _Batch,
    problem: RowProblem,
    messages: Sequence[Message],
    read: list[list[tuple[str, Sample]]],
    units: dict[str, KnownUnit],
) -> None:
    why = Unreadable(problem.message, field=problem.field, remedy=problem.remedy)
    name, sample = read[problem.row][0]
    refused = Refused.because(messages[problem.row], why, name, units[sample.serial].branch_id)
    batch.refused.setdefault(problem.row, refused)


def retry(letter: DeadLetter, *, by: Person, now: datetime) -> None:
    """Take a message again. Raises DomainError with the reason when it is refused again."""
    if letter.state == DeadLetterState.TAKEN:
        raise DomainError(message("This message was taken already."), remedy=message("Reload the list."))
    taken = record([dead_letters.message_of(letter)], now=now)
    dead_letters.settle(letter, taken.refused, by=by, now=now)
