"""What technicians bring back from the field: taken in once, before the office until somebody answers."""

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from fleet.models import Person, TreatmentUnit
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    CloseOutPhoto,
    FieldReport,
    FieldReportKind,
    Stop,
    Technician,
    WorkOrder,
)
from scheduling.orders import work_orders
from scheduling.orders.selectors import number_of
from scheduling.visits.checks import AHEAD
from shared.errors import DomainError
from shared.messages import message
from shared.translation import label_of, translate

LONGEST_TEXT: Final = 2000
ANSWER_SHOWN: Final = timedelta(days=7)
"""How long a technician's day shows an answer."""
MOST_SHOWN: Final = 30
BY_HAND: Final = [kind for kind in FieldReportKind if kind != FieldReportKind.NOT_DONE]
"""What a technician chooses from; what could not be done is reported by its close-out."""


@dataclass(frozen=True)
class Found:
    """What the phone sends. ``jpeg`` is a photo already cleaned; ``found_at`` as its clock says."""

    client_id: uuid.UUID
    kind: str
    text: str = ""
    treatment_unit: TreatmentUnit | None = None
    found_at: datetime | None = None
    jpeg: bytes = b""


def own_stop(technician: Technician, stop_id: int) -> Stop | None:
    """Return a stop of this technician's that is or was published, else None."""
    was_published = Q(route__is_in_force=True) | Q(route__proposal__published_at__isnull=False)
    found = Stop.objects.filter(was_published, pk=stop_id, route__technician=technician)
    return found.select_related("site").first()


def take(found: Found, *, stop: Stop, technician: Technician, now: datetime) -> FieldReport:
    """Keep what was found at a stop; the same number again returns what stands.

    Raises DomainError for a number that is another's, a kind nobody may choose, or "something else" without
    a word or photo.
    """
    known = _known(found, technician)
    if known:
        return known
    _check(found, stop)
    ahead = found.found_at is not None and found.found_at > now + AHEAD
    row = FieldReport(
        client_id=found.client_id, kind=found.kind, site=stop.site, technician=technician,
        treatment_unit=found.treatment_unit, text=found.text.strip()[:LONGEST_TEXT],
        found_at=now if ahead or found.found_at is None else found.found_at, received_at=now,
    )  # fmt: skip
    if found.jpeg:
        row.image.save(f"{uuid.uuid4().hex}.jpg", ContentFile(found.jpeg), save=False)
    try:
        with transaction.atomic():
            row.save()
    except BaseException as error:
        if row.image:
            row.image.delete(save=False)
        known = _known(found, technician) if isinstance(error, IntegrityError) else None
        if known:
            return known
        raise
    return row


def take_not_done(row: CloseOut, offer: str) -> FieldReport:
    """Put a close-out of work that could not be done before the office, in the close-out's transaction."""
    return FieldReport.objects.create(
        client_id=uuid.uuid5(row.client_id, "field report"), kind=FieldReportKind.NOT_DONE, close_out=row,
        site_id=row.order.site_id, treatment_unit_id=row.order.treatment_unit_id, technician=row.technician,
        text=row.note, offer=offer.strip(), found_at=row.finished_at, received_at=row.received_at,
    )  # fmt: skip


@transaction.atomic
def answer(
    report: FieldReport, *, text: str, by: Person, now: datetime, order: WorkOrder | None = None
) -> FieldReport:
    """Answer in words; the technician sees them on the day's page.

    Raises DomainError for an empty answer and for what somebody has answered already.
    """
    row = FieldReport.objects.select_for_update(of=("self",)).get(pk=report.pk)
    if row.answered_at is not None:
        raise DomainError(
            message(
                "{person} has answered this already: {answer}",
                person=str(row.answered_by),
                answer=row.answer,
            ),
            remedy=message("Call the technician if there is more to say."),
        )
    if not text.strip():
        raise DomainError(
            message("The answer is empty."),
            remedy=message("Say in a few words what happens now; the technician reads it."),
            field="answer",
        )
    row.answer, row.answered_at, row.answered_by = text.strip()[:LONGEST_TEXT], now, by
    row.order = order
    row.save(update_fields=["answer", "answered_at", "answered_by", "order"])
    return row


@transaction.atomic
def raise_order(
    report: FieldReport,
    *,
    treatment_unit: TreatmentUnit,
    window_from: date,
    window_to: date,
    minutes: int,
    text: str,
    by: Person,
    now: datetime,
) -> FieldReport:
    """Raise a work order from what was found, and answer with its number. All or nothing.

    Raises DomainError as ``answer`` and ``raise_one_off`` do.
    """
    order = work_orders.raise_one_off(
        treatment_unit=treatment_unit, why=why_of(report), window_from=window_from, window_to=window_to,
        minutes=minutes, client_id=report.client_id, by=by, now=now,
    )  # fmt: skip
    said = translate(message("{number} is raised.", number=number_of(order.pk)))
    return answer(report, text=f"{text.strip()} {said}".strip(), by=by, now=now, order=order)


def why_of(report: FieldReport) -> str:
    """Return what was found, in words for an order."""
    kind = translate(label_of(FieldReportKind, report.kind))
    return f"{kind}: {report.text}" if report.text else kind


def to_answer(branch_id: int | None) -> QuerySet[FieldReport]:
    """Return what nobody has answered yet, newest first.

    What could not be done leaves by itself once its order is over or its close-out undone.
    """
    rows = FieldReport.objects.filter(answered_at__isnull=True, close_out__undone_at__isnull=True)
    rows = rows.exclude(Q(close_out__isnull=False) & ~Q(close_out__order__state__in=STANDING_STATES))
    if branch_id:
        rows = rows.filter(site__branch_id=branch_id)
    return rows.select_related("site", "treatment_unit", "technician", "close_out__order")


def of_branch(branch_id: int | None) -> QuerySet[FieldReport]:
    """Return every report a person may see."""
    rows = FieldReport.objects.all()
    return rows.filter(site__branch_id=branch_id) if branch_id else rows


def for_technician(technician: Technician, now: datetime) -> list[FieldReport]:
    """Return what a technician still waits for, and what the office has said lately, newest first."""
    recent = Q(answered_at__isnull=True, close_out__isnull=True) | Q(answered_at__gte=now - ANSWER_SHOWN)
    rows = FieldReport.objects.filter(recent, technician=technician)
    return list(rows.select_related("site", "treatment_unit")[:MOST_SHOWN])


def photos_of(report: FieldReport) -> list[int]:
    """Return the keys of the photos of the visit at which work could not be done."""
    if report.close_out is None:
        return []
    visit = Q(close_out=report.close_out)
    if report.close_out.visit_id:
        visit |= Q(close_out__visit_id=report.close_out.visit_id)
    return list(CloseOutPhoto.objects.filter(visit).order_by("pk").values_list("pk", flat=True))


def _known(found: Found, technician: Technician) -> FieldReport | None:
    row = FieldReport.objects.filter(client_id=found.client_id).first()
    if row and (row.technician_id, row.kind) != (technician.pk, found.kind):
        raise DomainError(
            message("Something else was reported under the same number."),
            remedy=message("Load the page again and report it once more."),
        )
    return row


def _check(found: Found, stop: Stop) -> None:
    if found.kind not in BY_HAND:
        raise DomainError(
            message("{kind} is nothing that can be reported here.", kind=found.kind or "–"),
            remedy=message("Load the page again and choose what it is."),
            field="kind",
        )
    if found.kind == FieldReportKind.OTHER and not (found.text.strip() or found.jpeg):
        raise DomainError(
            message("Nothing is said of what was found."),
            remedy=message("Write a few words or take a photo."),
            field="text",
        )
    if found.treatment_unit is not None and found.treatment_unit.site_id != stop.site_id:
        raise DomainError(
            message("Unit {serial} is not at this site.", serial=found.treatment_unit.serial),
            remedy=message("Leave the unit empty, or say in words which it is."),
            field="serial",
        )
