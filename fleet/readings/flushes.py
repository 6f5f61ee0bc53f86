"""Records flushes as they were done. Only this clears what a treatment unit owes."""

import uuid
from datetime import datetime
from typing import Final

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Flush, FlushKind, OwedFlush, Part, Person, TreatmentUnit, UnitState
from fleet.science.settings import WearSettings
from shared.errors import DomainError
from shared.messages import joined, message

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
    least_gal: float | None = None,
    least_minutes: float | None = None,
    chlorine_behind_mg_l: float | None = None,
) -> Flush:
    """Write a flush down. The same ``client_id`` again returns the one that stands.

    A flush of less than ``least_gal`` or ``least_minutes``, or with more total chlorine behind carbon than
    the limit, is kept as what it is with what it lacks, and clears nothing. Without ``least_gal`` it is that
    of the part, else what the unit owes.

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
        missing=_missing(
            treatment_unit, kind, part, volume_gal, minutes, least_gal, least_minutes, chlorine_behind_mg_l
        )
        if ran_clear
        else "",
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


AS_GOOD_AS: Final = 0.98
"""Of the least volume or time: a register and a watch are read that closely. Ours."""
CHLORINE_LIMIT_MG_L: Final = WearSettings().chlorine_after_carbon_limit_mg_l


def least_volume(treatment_unit: TreatmentUnit, part: Part | None) -> float | None:
    """Return what a flush has to drain to count: the part's, else what the unit is known to owe. [gal]"""
    if part is not None and part.kind.flush_gal:
        return part.kind.flush_gal
    state = UnitState.objects.filter(treatment_unit=treatment_unit).exclude(owed_flush="").first()
    return state.flush_gal if state else None


def _missing(
    treatment_unit: TreatmentUnit,
    kind: str,
    part: Part | None,
    volume_gal: float,
    minutes: float,
    least_gal: float | None,
    least_minutes: float | None,
    chlorine_behind_mg_l: float | None,
) -> str:
    if kind == FlushKind.BED_STARTED:
        return ""
    least_gal = least_gal or least_volume(treatment_unit, part)
    lacks: list[str] = []
    if least_gal and volume_gal < least_gal * AS_GOOD_AS:
        lacks.append(message("{volume_gal:.1f} of {least:.1f} gal", volume_gal=volume_gal, least=least_gal))
    if least_minutes and minutes < least_minutes * AS_GOOD_AS:
        lacks.append(message("{minutes:.0f} of {least:.0f} min", minutes=minutes, least=least_minutes))
    if chlorine_behind_mg_l is not None and chlorine_behind_mg_l > CHLORINE_LIMIT_MG_L:
        lacks.append(
            message(
                "total chlorine behind carbon {found:.2f} mg/L, over {limit:g}",
                found=chlorine_behind_mg_l, limit=CHLORINE_LIMIT_MG_L,
            )
        )  # fmt: skip
    return joined("; ", lacks)
