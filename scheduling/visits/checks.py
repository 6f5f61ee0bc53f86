"""What a technician sends, as plain data, and what it must satisfy before anything is written."""

import hashlib
import json
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

from fleet.models import (
    FlushKind,
    Part,
    PartKind,
    Position,
    RemovalReason,
)
from fleet.register import parts
from scheduling.models import CloseOut, NotDoneBecause, OrderState, Outcome, StepSheet, WorkOrder
from scheduling.orders import steps
from scheduling.orders.kinds import Closing
from scheduling.orders.step_library import known_of
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

MOST_FLUSHES: Final = 8
"""More flushes than this at one visit are a slip."""


@dataclass(frozen=True)
class PartChange:
    """One position: what came out and why, what went in. Empty ``kind_code``: nothing went in."""

    position_code: str
    removal_reason: str = ""
    kind_code: str = ""
    serial: str = ""
    lot: str = ""
    made_on: date | None = None
    removed_part_id: int | None = None
    """The part the technician found, as the phone knew it; a change by somebody else meanwhile is told."""
    evidence: dict[str, float] = field(default_factory=dict)
    """What was measured before it came out, by the names of RemovalEvidence, in its measures."""
    factory_rejection: float | None = None
    """Of a new membrane, as on the sheet that came with it. [-]"""


@dataclass(frozen=True)
class FlushForm:
    """One flush. Empty ``kind``: what the work calls for. [gal], [min]"""

    volume_gal: float = 0
    minutes: float = 0
    ran_clear: bool = False
    kind: str = ""


@dataclass(frozen=True)
class CloseOutForm:
    """What became of one order at a visit. The number made on the phone makes sending twice harmless."""

    client_id: uuid.UUID
    order_id: int
    technician_id: int
    outcome: str
    finished_at: datetime
    minutes: int
    steps: Sequence[dict] = ()
    """[{code, done, skipped_because}] as on the phone."""
    step_sheet_version: int | None = None
    part_changes: Sequence[PartChange] = ()
    flush: FlushForm | None = None
    further_flushes: Sequence[FlushForm] = ()
    meter_total: float | None = None
    """As the register of the permeate meter shows, in its own measure."""
    performance: dict = field(default_factory=dict)
    """By the column names of PerformanceReading, in its measures; ``saw_fines`` may be among them."""
    note: str = ""
    signed_by: str = ""
    signature: str = ""
    not_done_because: str = ""
    as_found: dict = field(default_factory=dict)
    """What was read before anything was touched, as ``performance``."""
    beside: Sequence[str] = ()
    """What another order of the same unit reports at this visit: ``flush``, ``meter_total``, ``bedding``."""
    offer: str = ""
    """When the customer says to come, where the work could not be done."""

    @property
    def flushes(self) -> list[FlushForm]:
        return [*([self.flush] if self.flush else []), *self.further_flushes]

    def fingerprint(self) -> str:
        """Return the SHA-256 of everything that was sent."""
        sent = asdict(self)
        later = ("not_done_because", "as_found", "beside", "evidence", "factory_rejection", "offer")
        for row in (sent, *sent["part_changes"]):
            # What older phones don't send leaves the numbers of their reports as they were.
            for name in later:
                if not row.get(name, True):
                    del row[name]
        content = json.dumps(sent, sort_keys=True, default=str)
        return hashlib.sha256(content.encode()).hexdigest()


@dataclass(frozen=True)
class VisitForm:
    """One stop at one site: what became of each order that is reported, sent and kept in one piece."""

    client_id: uuid.UUID
    results: Sequence[CloseOutForm]
    started_at: datetime | None = None
    feed_test: dict[str, float] = field(default_factory=dict)
    """Of the site's feed water, by the column names of FeedTest, in its measures."""


def result_number(client_id: uuid.UUID, order_id: int) -> uuid.UUID:
    """Return the number of what became of one order at a visit, the same every time."""
    return uuid.uuid5(client_id, f"order {order_id}")


def flush_number(client_id: uuid.UUID, number: int) -> uuid.UUID:
    """Return the number of a close-out's n-th flush, the same every time."""
    return uuid.uuid5(client_id, f"flush {number}")


MOST_MINUTES: Final = 1440
WHY_NOT_DONE: Final = message("Say in the note why it could not be done.")
AHEAD = timedelta(minutes=10)
"""How far a phone's clock may run ahead."""
LONG_AGO = timedelta(days=400)
"""What is older goes into the history by a workbook."""
KEEP = message("Nothing you entered is lost: it stays on the phone until it is sent.")


def check(form: CloseOutForm, order: WorkOrder, sheet: StepSheet | None, now: datetime) -> list[dict]:
    """Return hazard controls that were skipped with a reason. Raises DomainError for what can't stand."""
    _check_plain_values(form, now)
    _check_not_long_ago(form, order, now)
    _check_order(order)
    if form.outcome == Outcome.NOT_DONE:
        _check_not_done(form)
        return []
    _check_what_the_kind_needs(form, order)
    _check_flushes(form)
    known = known_of(order.treatment_unit, roles_of(form.part_changes, order))
    excused = excused_steps(form.outcome, form.beside) | steps.not_called_for(sheet, known)
    return steps.check_record(sheet, form.steps, excused=excused)


LEFT_OVERNIGHT: Final = {
    "flush", "chlorine_after_carbon", "purge_membrane", "power", "leak_watch_pump", "tag_off",
}  # fmt: skip


def excused_steps(outcome: str, beside: Sequence[str] = ()) -> set[str]:
    """Return the steps an outcome leaves to a later visit."""
    # The night replaces today's flush; the unit stays off and tagged, and tomorrow's order owns those steps.
    return LEFT_OVERNIGHT if Outcome.BEDDING in (outcome, *beside) else set()


def roles_of(changes: Sequence[PartChange], order: WorkOrder) -> set[str]:
    """Return what the parts that are changed do to the water."""
    codes = [change.kind_code for change in changes]
    out = [change.position_code for change in changes if not change.kind_code]
    here = Part.objects.in_place().filter(treatment_unit_id=order.treatment_unit_id, position__code__in=out)
    return {
        *PartKind.objects.filter(code__in=codes).values_list("role", flat=True),
        *here.values_list("kind__role", flat=True),
    }


def position_of(change: PartChange, order: WorkOrder) -> Position:
    """Return the named position of the order's treatment unit."""
    position = Position.objects.filter(
        treatment_unit_id=order.treatment_unit_id, code=change.position_code
    ).first()
    if position is None:
        known = Position.objects.filter(treatment_unit_id=order.treatment_unit_id)
        raise DomainError(
            message(
                "{serial} has no position {position_code!r}.",
                serial=order.treatment_unit.serial,
                position_code=change.position_code,
            ),
            remedy=message("Choose one of: {list}.", list=", ".join(known.values_list("code", flat=True))),
            field="position_code",
        )
    return position


def kind_of(change: PartChange) -> PartKind:
    """Return the named kind of part."""
    kind = PartKind.objects.filter(code=change.kind_code).first()
    if kind is None:
        raise DomainError(
            message("The catalogue has no part {kind_code!r}.", kind_code=change.kind_code),
            remedy=message("Choose a part from the list, or have the planner add it to the catalogue."),
            field="kind_code",
        )
    return kind


def part_to_take_out(change: PartChange, order: WorkOrder, position: Position) -> Part | None:
    """Return the part in place. Raises DomainError when somebody has changed it since the day was loaded."""
    here = parts.part_in(position)
    expected = change.removed_part_id
    if expected is None and order.part_id and order.part.position_id == position.pk:
        expected = order.part_id
    if expected is not None and (here is None or here.pk != expected):
        raise DomainError(
            message(
                "The part in {code} of {serial} has been changed by somebody else since your day was loaded.",
                code=position.code,
                serial=order.treatment_unit.serial,
            ),
            remedy=message(
                "Compare with what you find there and talk to the planner, who can correct it. {keep}",
                keep=KEEP,
            ),
            field="position_code",
        )
    if here is not None and change.removal_reason not in RemovalReason.values:
        raise DomainError(
            message("It is not said why the part in {code} came out.", code=position.code),
            remedy=message("Choose one of: {list}.", list=", ".join(RemovalReason.values)),
            field="removal_reason",
        )
    if here is None and not change.kind_code:
        raise DomainError(
            message("There is no part in {code} and none went in.", code=position.code),
            remedy=message("Leave this position out."),
            field="position_code",
        )
    return here


def _check_plain_values(form: CloseOutForm, now: datetime) -> None:
    if form.outcome not in Outcome.values:
        raise DomainError(
            message("{outcome!r} is no outcome.", outcome=form.outcome),
            remedy=message("Choose one of: {list}.", list=", ".join(Outcome.values)),
            field="outcome",
        )
    if form.finished_at.tzinfo is None:
        raise DomainError(
            message("The time of finishing has no time zone."),
            remedy=message("Send it with its zone."),
            field="finished_at",
        )
    if form.finished_at > now + AHEAD:
        raise DomainError(
            message(
                "The work is said to be finished on {finished_at:%d %b %Y %H:%M}, which is yet to come.",
                finished_at=form.finished_at,
            ),
            remedy=message("Check the phone's clock."),
            field="finished_at",
        )
    if not 0 <= form.minutes <= MOST_MINUTES:
        raise DomainError(
            message("{minutes} minutes can't be the time on site.", minutes=form.minutes),
            remedy=message("Give 0 to 1440."),
            field="minutes",
        )
    codes = [change.position_code for change in form.part_changes]
    if len(set(codes)) != len(codes):
        raise DomainError(
            message("One position is named twice."),
            remedy=message("Write each position once."),
            field="part_changes",
        )


def is_clock_right(told: datetime, now: datetime) -> bool:
    """Say whether a phone's moment can be: no clock that is right is ahead, or more than a year behind."""
    return now - LONG_AGO <= told <= now + AHEAD


def _check_not_long_ago(form: CloseOutForm, order: WorkOrder, now: datetime) -> None:
    """Work is not done before its unit was in service, nor reported after more than a year."""
    begins = order.treatment_unit.commissioned_on
    day = local_day(form.finished_at, order.site.time_zone)
    if form.finished_at >= now - LONG_AGO and (begins is None or day >= begins):
        return
    raise DomainError(
        message("The work is said to be finished on {day:%d %b %Y}, which can't be.", day=day),
        remedy=message("Check the clock, and the unit's first day of service. {keep}", keep=KEEP),
        field="finished_at",
    )


def _check_order(order: WorkOrder) -> None:
    if order.state == OrderState.WITHDRAWN:
        raise DomainError(
            message(
                "{order} has been withdrawn: {withdrawn_because}.",
                order=order,
                withdrawn_because=order.withdrawn_because,
            ),
            remedy=message(
                "If the work is done, have the planner reopen {order}, then send again. {keep}",
                order=order,
                keep=KEEP,
            ),
        )
    if order.state == OrderState.DONE:
        other = (
            CloseOut.objects.filter(order=order, undone_at__isnull=True)
            .exclude(outcome=Outcome.NOT_DONE)
            .select_related("technician")
            .first()
        )
        by_whom = (
            message(
                " by {technician} on {finished_at:%d %b %Y}",
                technician=other.technician,
                finished_at=other.finished_at,
            )
            if other
            else ""
        )
        raise DomainError(
            message("{order} has been closed already{by_whom}.", order=order, by_whom=by_whom),
            remedy=message(
                "If yours is right, have the planner undo the other one, then send again. {keep}", keep=KEEP
            ),
        )


def _check_not_done(form: CloseOutForm) -> None:
    if form.not_done_because and form.not_done_because not in NotDoneBecause.values:
        raise DomainError(
            message("{reason!r} is no reason.", reason=form.not_done_because),
            remedy=message("Choose one of: {list}.", list=", ".join(NotDoneBecause.values)),
            field="not_done_because",
        )
    if form.not_done_because in ("", NotDoneBecause.OTHER) and not form.note.strip():
        raise DomainError(
            message("It is not said why the work could not be done."),
            remedy=WHY_NOT_DONE,
            field="note",
        )
    if form.part_changes or form.flushes:
        raise DomainError(
            message("Parts or flushes are recorded for work that could not be done."),
            remedy=message("Choose “done”, or take the parts and flushes out of the report."),
            field="outcome",
        )


def _check_what_the_kind_needs(form: CloseOutForm, order: WorkOrder) -> None:
    closing = order.work_kind.closing
    if closing is Closing.NEW_PART and order.part_id:
        code = order.part.position.code
        if not any(one.position_code == code and one.kind_code for one in form.part_changes):
            raise DomainError(
                message(
                    "{order} asks for a new part in {code}, and none is reported.", order=order, code=code
                ),
                remedy=message("Enter the new part, or choose “could not be done” and say why."),
                field="part_changes",
            )
    if closing is Closing.FLUSH and not form.flushes and "flush" not in form.beside:
        raise DomainError(
            message("{order} asks for a flush, and none is recorded.", order=order),
            remedy=message("Enter gallons, minutes and whether it ran clear."),
            field="flush",
        )
    is_read = form.meter_total is not None or "meter_total" in form.beside
    if closing is Closing.METER and not is_read and not form.note.strip():
        raise DomainError(
            message("{order} asks for a reading, and none is recorded.", order=order),
            remedy=message("Enter what the register shows, or write why it can't be read."),
            field="meter_total",
        )
    if form.outcome == Outcome.BEDDING and not (order.work_kind.may_bed or form.part_changes):
        raise DomainError(
            message("Nothing was changed that could stand overnight."),
            remedy=message("Choose “done” or “could not be done”."),
            field="outcome",
        )


def _check_flushes(form: CloseOutForm) -> None:
    if len(form.flushes) > MOST_FLUSHES:
        raise DomainError(
            message("{flushes} flushes at one visit can't be.", flushes=len(form.flushes)),
            remedy=message("Check the list."),
            field="flush",
        )
    for one in form.flushes:
        if one.kind and one.kind not in FlushKind.values:
            raise DomainError(
                message("{kind!r} is no kind of flush.", kind=one.kind),
                remedy=message("Choose one of: {list}.", list=", ".join(FlushKind.values)),
                field="flush",
            )
        if not 0 <= one.minutes <= MOST_MINUTES or not 0 <= one.volume_gal <= 100_000:
            raise DomainError(
                message(
                    "A flush of {volume_gal:g} gal in {minutes:g} min can't be.",
                    volume_gal=one.volume_gal,
                    minutes=one.minutes,
                ),
                remedy=message("Check gallons and minutes."),
                field="flush",
            )
