"""Which meter was in place when: the one answer for whoever records or shows a register."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Protocol, TypeVar

from django.db.models import Case, Q, QuerySet, When

from fleet.models import Meter, MeterWater


class Installed(Protocol):
    """What has its time in place."""

    installed_at: datetime
    removed_at: datetime | None


Held = TypeVar("Held", bound=Installed)


def meter_in_place(meters: Iterable[Held], at: datetime, slack: timedelta = timedelta(0)) -> Held | None:
    """Return the meter that was in place at a moment: at a swap both were, and the later one counts.

    Parameters
    ----------
    meters : iterable
        Of one treatment unit and water.
    at : datetime
    slack : timedelta
        Dates from files may be off by so much; a meter in place without it goes before.
    """
    for leeway in sorted({timedelta(0), slack}):
        in_place = [
            meter
            for meter in meters
            if meter.installed_at - leeway <= at
            and (meter.removed_at is None or at <= meter.removed_at + leeway)
        ]
        if in_place:
            return max(in_place, key=lambda meter: meter.installed_at)
    return None


def meters_to_read(treatment_unit_id: int, at: datetime) -> QuerySet[Meter]:
    """Return the meters in place at a moment, the one to read at a visit first: permeate before others."""
    return Meter.objects.filter(
        Q(removed_at__isnull=True) | Q(removed_at__gte=at),
        treatment_unit_id=treatment_unit_id,
        installed_at__lte=at,
    ).order_by(Case(When(water=MeterWater.PERMEATE, then=0), default=1), "-installed_at", "pk")
