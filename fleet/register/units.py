"""Treatment units come, go and change places: added from a model, commissioned, swapped, moved, retired.

What happened to a unit stays with the unit; the site keeps what stood there. Each act locks the unit and is
held against what the person saw, so that of two at once the second is told.
"""

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet.models import (
    AuditArea,
    Flush,
    FlushKind,
    MakeUp,
    Meter,
    Part,
    PartKind,
    PartRole,
    Position,
    RemovalReason,
    Site,
    TreatmentUnit,
    UnitModel,
    UnitStay,
    UnitSwap,
)
from fleet.people.audit import Actor
from fleet.register import parts, rows
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

DESIGN = (
    "design_recovery", "design_use_gal_per_day", "design_permeate_gpm", "idle_limit_days", "mains_voltage",
    *MakeUp.names(),
)  # fmt: skip
NOT_COMMISSIONED = message("Not commissioned yet.")
SETTLED_AFTER: Final = timedelta(days=30)
"""What went in longer ago is taken as flushed then; newer parts may still owe it, and are looked at."""


@transaction.atomic
def add_unit(
    *,
    site: Site,
    serial: str,
    actor: Actor,
    unit_model: UnitModel | None = None,
    commissioned_on: date | None = None,
    **given: Any,
) -> TreatmentUnit:
    """Add a treatment unit to a site with the positions of its model and their usual parts.

    With ``commissioned_on`` it runs since that day, its usual parts in place, and flushed when that is
    ``SETTLED_AFTER`` ago; without, it is out of service until it is commissioned. ``given`` are further
    columns; design figures override the model's. Raises DomainError for a serial that is there, a closed
    site, a day to come, or an impossible value.
    """
    serial = serial.strip()
    _refuse_serial(serial)
    _refuse_closed(site)
    design = {name: getattr(unit_model, name) for name in DESIGN} if unit_model else {}
    stated = {name: value for name, value in given.items() if value is not None}
    missing = [
        name for name in ("design_use_gal_per_day", "design_permeate_gpm") if name not in design | stated
    ]
    if missing:
        raise DomainError(
            message("A treatment unit without a model states its design figures."),
            remedy=message("Choose its model, or fill in use and permeate flow."),
            field=missing[0],
        )
    if commissioned_on is not None:
        rows.check_day(commissioned_on, today=local_day(actor.now, site.time_zone), field="commissioned_on")
    else:
        stated |= {"is_out_of_service": True, "out_of_service_reason": str(NOT_COMMISSIONED)}
    unit = rows.add(
        TreatmentUnit(
            serial=serial,
            site=site,
            unit_model=unit_model,
            commissioned_on=commissioned_on,
            **design | stated,
        ),
        what=message("treatment unit added"),
        actor=actor,
        detail=" ".join(filter(None, (site.code, unit_model.code if unit_model else ""))),
    )
    if unit_model is not None:
        Position.objects.bulk_create(
            Position(treatment_unit=unit, code=one.code, order=one.order, water=one.water)
            for one in unit_model.positions.all()
        )
    if commissioned_on is not None:
        at = noon(commissioned_on, site, actor.now)
        _put_usual_parts_in(unit, unit_model, at)
        if actor.now - at >= SETTLED_AFTER:
            _take_for_flushed(unit, at, actor)
    return unit


@transaction.atomic
def commission_unit(unit: TreatmentUnit, *, on: date, actor: Actor) -> TreatmentUnit:
    """Put a unit into service from a day on; empty positions get the usual parts of its model that day.

    Raises DomainError when it was commissioned already, or for a day to come.
    """
    unit = _lock(unit)
    if unit.commissioned_on is not None:
        raise DomainError(
            message("{unit} was commissioned on {day:%d %b %Y}.", unit=unit, day=unit.commissioned_on),
            remedy=message("Change that day on the unit's own page if it is wrong."),
        )
    rows.check_day(on, today=local_day(actor.now, unit.site.time_zone), field="on")
    unit.commissioned_on, unit.is_out_of_service, unit.out_of_service_reason = on, False, ""
    unit.save(update_fields=["commissioned_on", "is_out_of_service", "out_of_service_reason"])
    _put_usual_parts_in(unit, unit.unit_model, noon(on, unit.site, actor.now))
    actor.note(
        message("treatment unit commissioned"), area=AuditArea.FLEET, about=unit.serial, detail=str(on)
    )
    return unit


@transaction.atomic
def retire_unit(unit: TreatmentUnit, *, on: date, because: str, actor: Actor) -> TreatmentUnit:
    """Take a unit out of use for good: its parts' lives end with it, its history stays.

    Raises DomainError when it is retired already, without a reason, or for a day it can't be.
    """
    unit = _retire(unit, on, because, actor)
    told = f"{on}: {unit.retired_because}"
    actor.note(message("treatment unit retired"), area=AuditArea.FLEET, about=unit.serial, detail=told)
    return unit


def _retire(unit: TreatmentUnit, on: date, because: str, actor: Actor) -> TreatmentUnit:
    unit = _lock(unit)
    _refuse_retired(unit)
    if not because.strip():
        raise DomainError(
            message("{unit} can't be retired without a reason.", unit=unit),
            remedy=message("Say why in a few words."),
            field="because",
        )
    _check_day_of(unit, on, actor)
    _take_all_out(unit, noon(on, unit.site, actor.now))
    unit.retired_on, unit.retired_because = on, because.strip()[:160]
    unit.is_out_of_service, unit.out_of_service_reason = True, because.strip()[:160]
    rows.check(unit)
    unit.save(update_fields=["retired_on", "retired_because", "is_out_of_service", "out_of_service_reason"])
    return unit


@transaction.atomic
def take_retirement_back(unit: TreatmentUnit, *, actor: Actor) -> TreatmentUnit:
    """Let a retired unit be used again, out of service and without parts until somebody says otherwise.

    Raises DomainError when it is not retired.
    """
    unit = _lock(unit)
    if unit.retired_on is None:
        raise DomainError(
            message("{unit} is not retired.", unit=unit), remedy=message("There is nothing to take back.")
        )
    was, unit.retired_on, unit.retired_because = unit.retired_on, None, ""
    unit.save(update_fields=["retired_on", "retired_because"])
    what = message("retirement taken back")
    actor.note(what, area=AuditArea.FLEET, about=unit.serial, detail=f"retired_on: {was} → None")
    return unit


@transaction.atomic
def swap_unit(
    old: TreatmentUnit,
    *,
    serial: str,
    on: date,
    actor: Actor,
    because: str = "",
    with_parts: bool = True,
) -> TreatmentUnit:
    """Put another machine in a unit's place: the old one is retired with its history, the new one begins.

    The new one takes over place, design figures, positions and meters' kinds; ``with_parts`` new parts of the
    kinds in place begin their lives. Raises DomainError for a serial that is there, a retired unit, or a day
    it can't be.
    """
    serial = serial.strip()
    old = _lock(old)
    _refuse_retired(old)
    _refuse_serial(serial)
    _check_day_of(old, on, actor)
    at = noon(on, old.site, actor.now)
    in_place = list(Part.objects.in_place().filter(treatment_unit=old).select_related("kind", "position"))
    meters = list(Meter.objects.filter(treatment_unit=old, removed_at__isnull=True))
    reason = because.strip() or f"Swapped for {serial}."
    _retire(old, on, reason, actor)
    copied = {
        name: getattr(old, name)
        for name in (
            *DESIGN,
            "label",
            "site",
            "unit_model",
            "note",
            "promised_conductivity_us_cm",
        )
    }
    new = TreatmentUnit(serial=serial, commissioned_on=on, **copied)
    rows.save_new(new)
    UnitSwap.objects.create(old=old, new=new, swapped_on=on)
    places = {
        one.code: Position(treatment_unit=new, code=one.code, order=one.order, water=one.water)
        for one in old.positions.all()
    }
    Position.objects.bulk_create(places.values())
    if with_parts:
        for part in in_place:
            parts.install(position=places[part.position.code], kind=part.kind, at=at)
    for meter in meters:
        Meter.objects.create(
            treatment_unit=new, water=meter.water, measure=meter.measure, digits=meter.digits, installed_at=at
        )
    told = f"{old.serial} → {serial}, {on}"
    actor.note(message("treatment unit swapped"), area=AuditArea.FLEET, about=old.serial, detail=told)
    return new


@transaction.atomic
def move_unit(unit: TreatmentUnit, *, to: Site, on: date, actor: Actor, seen_site: int) -> TreatmentUnit:
    """Let a unit stand at another site from a day on. Parts, readings and visits go with it.

    ``seen_site`` is the key of the site the person saw it at. Raises Overtaken when somebody else moved it
    meanwhile, DomainError for the same or a closed site, a retired unit, or a day it can't be.
    """
    unit = _lock(unit)
    if unit.site_id != seen_site:
        raise rows.Overtaken(unit, {"site": Site.objects.filter(pk=seen_site).first()}, {"site": unit.site})
    _refuse_retired(unit)
    _refuse_closed(to)
    if to.pk == unit.site_id:
        raise DomainError(
            message("{unit} stands at {site} already.", unit=unit, site=to.name),
            remedy=message("Choose the site it goes to."),
            field="to",
        )
    last = unit.stays.order_by("-until_on").values_list("until_on", flat=True).first()
    _check_day_of(unit, on, actor)
    former = unit.site
    UnitStay.objects.create(
        treatment_unit=unit, site=former, from_on=last or unit.commissioned_on, until_on=on
    )
    unit.site = to
    unit.save(update_fields=["site"])
    told = message("{former} → {to} on {on:%d %b %Y}", former=former.code, to=to.code, on=on)
    actor.note(message("treatment unit moved"), area=AuditArea.FLEET, about=unit.serial, detail=told)
    return unit


@transaction.atomic
def change_positions(unit: TreatmentUnit, positions: list[Mapping[str, Any]], *, actor: Actor) -> None:
    """Make these the unit's positions, along the water; each has ``code`` and ``water``.

    One that ever held a part stays. Raises DomainError for a code twice or one left out that held a part.
    """
    unit = _lock(unit)
    codes = [str(one["code"]) for one in positions]
    if twice := next((code for code in codes if codes.count(code) > 1), None):
        raise DomainError(
            message("Position {code} stands there twice.", code=twice),
            remedy=message("Give each position a name of its own."),
            field="positions",
        )
    standing = {one.code: one for one in unit.positions.all()}
    gone = [one for code, one in standing.items() if code not in codes]
    if held := next((one for one in gone if one.parts.exists()), None):
        raise DomainError(
            message("Position {code} has held parts; its history stays.", code=held.code),
            remedy=message("Keep it in the list."),
            field="positions",
        )
    before = ", ".join(standing)
    for one in gone:
        one.delete()
    # Numbers are unique: out of the way first, then as they should be.
    for number, one in enumerate(unit.positions.all(), start=1):
        Position.objects.filter(pk=one.pk).update(order=10_000 + number)
    for number, one in enumerate(positions, start=1):
        Position.objects.update_or_create(
            treatment_unit=unit, code=one["code"], defaults={"order": number, "water": one["water"]}
        )
    if before != ", ".join(codes):
        told = f"{before or '–'} → {', '.join(codes)}"
        actor.note(message("positions changed"), area=AuditArea.FLEET, about=unit.serial, detail=told)


@transaction.atomic
def put_part_in(position: Position, *, kind: PartKind, at: datetime, actor: Actor, **given: Any) -> Part:
    """Put a part into an empty position by hand. Takes what ``parts.install`` takes."""
    refuse_to_come(at, actor)
    part = parts.install(position=position, kind=kind, at=at, **given)
    _tell_part(message("part put in"), part, told_part(part), actor)
    return part


@transaction.atomic
def take_part_out(part: Part, *, at: datetime, reason: str, actor: Actor) -> Part:
    """Take a part out by hand. Raises what ``parts.remove`` raises."""
    refuse_to_come(at, actor)
    parts.remove(part, at=at, reason=reason)
    _tell_part(message("part taken out"), part, f"{told_part(part)} → none: {reason}", actor)
    return part


@transaction.atomic
def replace_part(old: Part, *, kind: PartKind, at: datetime, reason: str, actor: Actor, **given: Any) -> Part:
    """Take a part out and put another in at the same moment. Returns the new one."""
    refuse_to_come(at, actor)
    new = parts.replace(old, kind=kind, at=at, reason=reason, **given)
    _tell_part(message("part replaced"), old, f"{told_part(old)} → {told_part(new)}: {reason}", actor)
    return new


def refuse_to_come(at: datetime, actor: Actor) -> None:
    """Raise DomainError for a moment that has not come."""
    if at > actor.now:
        raise DomainError(
            message("{at:%d %b %Y %H:%M} UTC has not come yet.", at=at.astimezone(UTC)),
            remedy=message("Give when it was done."),
            field="at",
        )


def told_part(part: Part) -> str:
    """Return a part as the trail names it: position, kind, serial."""
    return " ".join(filter(None, (part.position.code, part.kind.code, part.serial)))


def _tell_part(what: str, part: Part, told: str, actor: Actor) -> None:
    actor.note(what, area=AuditArea.FLEET, about=part.treatment_unit.serial, detail=told)


def noon(on: date, site: Site, now: datetime) -> datetime:
    """Return noon of a day on the site's clock, or this moment where noon is still to come. In UTC."""
    return min(datetime.combine(on, time(12), tzinfo=ZoneInfo(site.time_zone)).astimezone(UTC), now)


def _lock(unit: TreatmentUnit) -> TreatmentUnit:
    # Locked alone: PostgreSQL drops a joined row that changed while it waited.
    parts.lock_unit(unit.pk)
    return TreatmentUnit.objects.select_related("site__customer", "unit_model").get(pk=unit.pk)


def _put_usual_parts_in(unit: TreatmentUnit, unit_model: UnitModel | None, at: datetime) -> None:
    if unit_model is None:
        return
    usual = {one.code: one.usual_kind for one in unit_model.positions.select_related("usual_kind")}
    held = set(Part.objects.in_place().filter(treatment_unit=unit).values_list("position_id", flat=True))
    for position in unit.positions.all():
        kind = usual.get(position.code)
        if kind is not None and position.pk not in held:
            parts.install(position=position, kind=kind, at=at)


def _take_for_flushed(unit: TreatmentUnit, at: datetime, actor: Actor) -> None:
    """Write down that what has run for weeks was flushed when it went in: its users would have called."""
    fresh = Part.objects.in_place().filter(treatment_unit=unit, kind__needs_flush=True).select_related("kind")
    Flush.objects.bulk_create(
        Flush(
            treatment_unit=unit, part=part, flushed_at=at + timedelta(minutes=30), ran_clear=True,
            recorded_by=actor.person,
            kind=FlushKind.MEMBRANE_STORAGE_SOLUTION if part.kind.role == PartRole.MEMBRANE
            else FlushKind.CARBON_FINES,
        )
        for part in fresh
    )  # fmt: skip


def _take_all_out(unit: TreatmentUnit, at: datetime) -> None:
    for part in Part.objects.in_place().filter(treatment_unit=unit).select_related("position"):
        parts.remove(part, at=max(at, part.installed_at), reason=RemovalReason.EARLY)
    for meter in Meter.objects.filter(treatment_unit=unit, removed_at__isnull=True):
        meter.removed_at = max(at, meter.installed_at)
        meter.save(update_fields=["removed_at"])


def _check_day_of(unit: TreatmentUnit, on: date, actor: Actor) -> None:
    """Hold a day to those since the unit stands where it stands."""
    last = unit.stays.order_by("-until_on").values_list("until_on", flat=True).first()
    first = max(filter(None, (unit.commissioned_on, last)), default=None)
    rows.check_day(on, today=local_day(actor.now, unit.site.time_zone), field="on", first=first)


def _refuse_serial(serial: str) -> None:
    standing = TreatmentUnit.objects.filter(serial__iexact=serial).select_related("site").first()
    if standing is None:
        if serial:
            rows.refuse_look_alike(TreatmentUnit, serial, field="serial", what=message("treatment unit"))
        return
    where = (
        message("retired on {day:%d %b %Y}", day=standing.retired_on)
        if standing.retired_on
        else message("at {site}", site=standing.site.name)
    )
    raise DomainError(
        message("There is a treatment unit {serial} already, {where}.", serial=standing.serial, where=where),
        remedy=message("Read the label again; if it is that machine, move it here instead."),
        field="serial",
    )


def _refuse_retired(unit: TreatmentUnit) -> None:
    if unit.retired_on is not None:
        raise DomainError(
            message("{unit} was retired on {day:%d %b %Y}.", unit=unit, day=unit.retired_on),
            remedy=message("Take the retirement back on its page first."),
        )


def _refuse_closed(site: Site) -> None:
    if site.is_closed:
        raise DomainError(
            message("{site} is closed.", site=site.name),
            remedy=message("Reopen it first, or choose another site."),
            field="to",
        )
