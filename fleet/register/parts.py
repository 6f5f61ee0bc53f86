"""Puts parts in and takes them out. Never two parts in one position at one time, also in the past."""

from collections.abc import Mapping
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from fleet.models import (
    Cartridge,
    Membrane,
    Part,
    PartKind,
    PartRole,
    Position,
    RemovalEvidence,
    RemovalReason,
    TreatmentUnit,
)
from shared.errors import DomainError
from shared.messages import joined, message


@transaction.atomic
def install(
    *,
    position: Position,
    kind: PartKind,
    at: datetime,
    serial: str = "",
    lot: str = "",
    made_on: date | None = None,
    factory_rejection: float | None = None,
) -> Part:
    """Put a part into an empty position and start its life. Returns a Cartridge or a Membrane.

    Raises DomainError when the position is taken at that time or later, or the part does not suit it.
    """
    lock_unit(position.treatment_unit_id)
    _refuse_overlap(position, at)
    extra = {"factory_rejection": factory_rejection} if kind.role == PartRole.MEMBRANE else {}
    row = Membrane if kind.role == PartRole.MEMBRANE else Cartridge
    part = row(
        treatment_unit_id=position.treatment_unit_id,
        position=position,
        kind=kind,
        serial=serial.strip(),
        lot=lot.strip(),
        made_on=made_on,
        installed_at=at,
        **extra,
    )
    _check(part)
    part.save()
    return part


@transaction.atomic
def remove(part: Part, *, at: datetime, reason: str, evidence: Mapping[str, float] | None = None) -> Part:
    """Take a part out and end its life, with what was measured before by the names of RemovalEvidence.

    Raises DomainError when it is out already or was not in yet, or a value can't be.
    """
    lock_unit(part.treatment_unit_id)
    if reason not in RemovalReason.values:
        raise DomainError(
            message("{reason!r} is no reason to take a part out.", reason=reason),
            remedy=message("Choose one of: {list}.", list=", ".join(RemovalReason.values)),
            field="removal_reason",
        )
    if at < part.installed_at:
        raise DomainError(
            message(
                "The part in {code} was installed on {installed_at:%d %b %Y %H:%M} "
                "UTC, after {at:%d %b %Y %H:%M}.",
                code=part.position.code,
                installed_at=part.installed_at,
                at=at,
            ),
            remedy=message("Correct the time of the removal."),
            field="removed_at",
        )
    taken = Part.objects.filter(pk=part.pk, removed_at__isnull=True).update(
        removed_at=at, removal_reason=reason
    )
    if not taken:
        raise DomainError(
            message("The part in {code} is out already.", code=part.position.code),
            remedy=message("Look at the treatment unit's history; somebody else recorded this change."),
        )
    part.refresh_from_db(fields=["removed_at", "removal_reason"])
    if evidence:
        _keep_evidence(part, evidence, at)
    return part


def _keep_evidence(part: Part, evidence: Mapping[str, float], at: datetime) -> None:
    row = RemovalEvidence(part=part, measured_at=at, **evidence)
    try:
        row.full_clean(validate_unique=False, exclude=["part"])
    except ValidationError as error:
        raise DomainError(
            message("What was measured of the part in {code} can't be.", code=part.position.code),
            remedy=joined(" ", error.messages),
            field="found",
        ) from error
    row.save()


@transaction.atomic
def replace(
    old: Part,
    *,
    kind: PartKind,
    at: datetime,
    reason: str,
    serial: str = "",
    lot: str = "",
    made_on: date | None = None,
) -> Part:
    """Take a part out and put a new one into its position at the same moment. Returns the new one."""
    remove(old, at=at, reason=reason)
    return install(position=old.position, kind=kind, at=at, serial=serial, lot=lot, made_on=made_on)


@transaction.atomic
def put_back(old: Part | None, new: Part | None) -> None:
    """Take a change back: the new part was never in, the old one never out.

    The new part's row stays, with a life of no length, so that what named it still does.
    Raises DomainError when the new part has since been taken out, or another is in the old one's position.
    """
    lock_unit((old or new).treatment_unit_id)
    if new is not None:
        ended = Part.objects.filter(pk=new.pk, removed_at__isnull=True).update(
            removed_at=new.installed_at, removal_reason=RemovalReason.UNKNOWN
        )
        if not ended:
            raise DomainError(
                message("The part put into {code} has been taken out since.", code=new.position.code),
                remedy=message("Take the later change back first."),
            )
    if old is not None:
        if Part.objects.in_place().filter(position=old.position).exists():
            raise DomainError(
                message("Another part is in {code} now.", code=old.position.code),
                remedy=message("Take the later change back first."),
            )
        Part.objects.filter(pk=old.pk).update(removed_at=None, removal_reason=None)
        RemovalEvidence.objects.filter(part_id=old.pk).delete()


def part_in(position: Position) -> Part | None:
    """Return the part in place, if any."""
    return Part.objects.in_place().filter(position=position).select_related("kind", "position").first()


def lock_unit(treatment_unit_id: int) -> None:
    """Keep others from changing this treatment unit's parts until the transaction ends."""
    list(TreatmentUnit.objects.select_for_update().filter(pk=treatment_unit_id).values_list("pk"))


def _refuse_overlap(position: Position, at: datetime) -> None:
    """SQLite can't forbid overlapping periods, so it is asked under the lock."""
    standing = (
        Part.objects.filter(position=position)
        .filter(Q(removed_at__isnull=True) | Q(removed_at__gt=at))
        .order_by("installed_at")
        .first()
    )
    if standing is None:
        return
    if standing.removed_at is None:
        raise DomainError(
            message(
                "Another part ({kind}) is in {code} since {installed_at:%d %b %Y}.",
                kind=standing.kind,
                code=position.code,
                installed_at=standing.installed_at,
            ),
            remedy=message("Take it out first."),
            field="position",
        )
    raise DomainError(
        message(
            "{kind} was in {code} until {removed_at:%d %b %Y %H:%M} UTC; two parts can't be in one position.",
            kind=standing.kind,
            code=position.code,
            removed_at=standing.removed_at,
        ),
        remedy=message("Install the new part no earlier than that."),
        field="installed_at",
    )


def _check(part: Part) -> None:
    """Ask the model. Raises DomainError with the first thing that is wrong."""
    try:
        part.full_clean(validate_unique=False)
    except ValidationError as error:
        field, messages = next(iter(error.message_dict.items()))
        raise DomainError(
            " ".join(messages), remedy=message("Correct {field} of the part.", field=field), field=field
        ) from error
