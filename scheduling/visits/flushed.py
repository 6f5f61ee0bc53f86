"""Writes the flushes of an order that was worked at, with every new part of its unit in place."""

from dataclasses import dataclass, field

from fleet.models import Flush, FlushKind, OwedFlush, Part, PartRole, Person
from fleet.readings import flushes
from scheduling.models import CloseOut, Outcome, WorkOrder
from scheduling.visits.checks import MOST_FLUSHES, CloseOutForm, flush_number


@dataclass
class Reported:
    """What has been written so far for one order of a visit."""

    row: CloseOut
    order: WorkOrder
    form: CloseOutForm
    skipped: list[dict]
    installed: list[Part] = field(default_factory=list)
    flushes: list[Flush] = field(default_factory=list)
    shortages: list[str] = field(default_factory=list)


def record_flushes(done: Reported, installed: list[Part], by: Person | None) -> None:
    """Record the flushes of one order; ``installed`` are all new parts of its unit at this visit."""
    form, order = done.form, done.order
    for number, one in enumerate(form.flushes):
        kind = one.kind or _kind_called_for(form, installed, order)
        done.flushes.append(
            flushes.record_flush(
                treatment_unit=order.treatment_unit,
                kind=kind,
                at=form.finished_at,
                volume_gal=one.volume_gal,
                minutes=one.minutes,
                ran_clear=one.ran_clear,
                part=_only(installed),
                by=by,
                client_id=flush_number(form.client_id, number),
                chlorine_behind_mg_l=form.performance.get("chlorine_after_carbon_mg_l"),
                **_least(kind, installed, order),
            )
        )
    if form.outcome == Outcome.BEDDING and not any(f.kind == FlushKind.BED_STARTED for f in done.flushes):
        done.flushes.append(
            flushes.record_flush(
                treatment_unit=order.treatment_unit,
                kind=FlushKind.BED_STARTED,
                at=form.finished_at,
                part=bedded(done),
                by=by,
                client_id=flush_number(form.client_id, MOST_FLUSHES),
            )
        )


def _least(kind: str, installed: list[Part], order: WorkOrder) -> dict[str, float | None]:
    """Return what the flush has to drain, and how long for storage solution: of the part that asks most."""
    needing = [part.kind for part in installed if part.kind.needs_flush and part.kind.flush_gal]
    volume = max((kind.flush_gal for kind in needing), default=order.numbers.get("flush_gal"))
    times = [one.flush_gal / one.flush_gpm for one in needing if one.flush_gpm]
    is_membrane = kind == FlushKind.MEMBRANE_STORAGE_SOLUTION
    return {"least_gal": volume, "least_minutes": max(times, default=None) if is_membrane else None}


def _kind_called_for(form: CloseOutForm, installed: list[Part], order: WorkOrder) -> str:
    owed = order.numbers.get("owed")
    if owed and not installed:
        return flushes.KIND_THAT_CLEARS[OwedFlush(owed)]
    if form.outcome == Outcome.BEDDING:
        return FlushKind.BED_STARTED
    roles = {part.kind.role for part in installed}
    return FlushKind.MEMBRANE_STORAGE_SOLUTION if roles == {PartRole.MEMBRANE} else FlushKind.CARBON_FINES


def _only(installed: list[Part]) -> Part | None:
    """A flush belongs to the one new part that needs it; with several, to the whole treatment unit."""
    needing = [part for part in installed if part.kind.needs_flush]
    return needing[0] if len(needing) == 1 else None


def bedded(done: Reported) -> Part | None:
    """Return the part that stands overnight: the first new one that needs a flush, along the water."""
    order = done.order
    beds = [part for part in done.installed if part.kind.needs_flush and part.kind.role != PartRole.MEMBRANE]
    if beds:
        return min(beds, key=lambda part: part.position.order)
    return order.part if order.part_id and order.part.removed_at is None else None
