"""Writes what a person sets for themselves."""

from datetime import datetime
from zoneinfo import available_timezones

from django.db import transaction

from fleet.models import AuditArea, Person
from fleet.people import audit
from shared.errors import CannotDo
from shared.messages import message

OWN_SETTINGS = ("language", "time_zone", "measure_system")


def set_own_settings(
    person: Person, *, language: str, time_zone: str, measure_system: str, now: datetime
) -> bool:
    """Keep how a person reads the pages. Says whether anything changed; the trail has what.

    Raises ``ValidationError`` for a language or measures that are not known, ``CannotDo`` for a zone.
    """
    if time_zone and time_zone not in available_timezones():
        raise CannotDo(
            message("{time_zone} is no time zone of the IANA list.", time_zone=time_zone),
            remedy=message("Write one such as America/Chicago, or leave it empty for the company's clock."),
            field="time_zone",
        )
    given = {"language": language, "time_zone": time_zone, "measure_system": measure_system}
    with transaction.atomic():
        row = Person.objects.select_for_update().get(pk=person.pk)
        changed = [name for name in OWN_SETTINGS if getattr(row, name) != given[name]]
        if not changed:
            return False
        told = "; ".join(f"{name}: {getattr(row, name) or '–'} → {given[name] or '–'}" for name in changed)
        for name in changed:
            setattr(row, name, given[name])
        row.clean_fields(exclude=[f.name for f in Person._meta.fields if f.name not in OWN_SETTINGS])
        row.save(update_fields=changed)
        audit.note(
            message("own settings changed"),
            area=AuditArea.PEOPLE,
            about=row.username,
            detail=told,
            by=person,
            now=now,
        )
    return True
