"""Records flushes as they were done. Only this clears what a treatment unit owes."""

import uuid
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Flush, FlushKind, OwedFlush, Part, Person, TreatmentUnit
from shared.errors import DomainError
from shared.messages import message

KIND_THAT_CLEARS = {
    OwedFlush.CARBON_FINES: FlushKind.CARBON_FINES,
    OwedFlush.SEEN_FINES: FlushKind.CARBON_FINES,
    OwedFlush.BEDDED_OVERNIGHT: FlushKind.BEDDED_OVERNIGHT,
    OwedFlush.MEMBRANE_STORAGE_SOLUTION: FlushKind.MEMBRANE_STORAGE_SOLUTION,
    OwedFlush.IDLE: FlushKind.IDLE,
    OwedFlush.SANITISED: FlushKind.SANITISED,
}
"""Which flush pays which debt."""


@transaction.atomic
def record_flush(
    *,
    treatment_unit: TreatmentUnit,
    kind: str,
    at: datetime,
    volume_gal: float = 0,
    minutes: float = 0,
    ran_clear: bool = False,
    part: Part | None = None,
    by: Person | None = None,
    client_id: uuid.UUID | None = None,
) -> Flush:
    """Write a flush down. The same ``client_id`` again returns the one that stands.

    Raises DomainError when it says it ran clear without water or time, or a number is out of range.
    """
    if client_id and (known := Flush.objects.filter(client_id=client_id).first()):
        return known
    if ran_clear and kind != FlushKind.BED_STARTED and not (volume_gal > 0 or minutes > 0):
        raise DomainError(
            message("A flush that ran clear took water and time."),
            remedy=message("Fill in the gallons to drain or the minutes."),
            field="volume_gal",
        )
    flush = Flush(
        treatment_unit=treatment_unit,
        part=part,
        kind=kind,
        flushed_at=at,
        volume_gal=volume_gal,
        minutes=minutes,
        ran_clear=ran_clear,
        recorded_by=by,
        client_id=client_id or uuid.uuid4(),
    )
    try:
        flush.full_clean()
    except ValidationError as error:
        field, messages = next(iter(error.message_dict.items()))
        raise DomainError(
            " ".join(messages), remedy=message("Correct {field} of the flush.", field=field), field=field
        ) from error
    flush.save()
    return flush
