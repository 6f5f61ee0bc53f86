"""Which treatment units does a night have to assess, and which changes does it take in?"""

from dataclasses import replace
from datetime import UTC, datetime

from django.db.models import Exists, OuterRef, Q

from fleet.models import ChangeMark, TreatmentUnit
from fleet.queries.columns import UnitRange
from fleet.services.day_readings import forget_days_marked

WORTH_TAKING_ALL = 0.5
"""Where more than this share of a shard is due, reading the whole of it costs no more."""


def due_units(which: UnitRange, now: datetime, learned_at: datetime | None) -> UnitRange | None:
    """Return those that want a look as of ``now``; None for none, all of them where most do.

    Wanted are: what was never assessed, what has changed since, whose day has come, what was assessed before
    the fleet last taught something, or by a clock that ran ahead.
    """
    units = TreatmentUnit.objects.filter(which.condition("id"))
    changed = ChangeMark.objects.filter(treatment_unit_id=OuterRef("pk"), effective_at__lte=now)
    day_has_come = Q(state__look_again_on__isnull=True) | Q(
        state__look_again_on__lte=now.astimezone(UTC).date()
    )
    wanted = day_has_come | Q(state__assessed_at__gt=now) | Exists(changed)
    if learned_at is not None:
        wanted |= Q(state__assessed_at__lt=learned_at)
    due = tuple(units.filter(wanted).order_by("id").values_list("id", flat=True))
    if not due:
        return None
    if len(due) > WORTH_TAKING_ALL * units.count():
        return which
    return replace(which, only_ids=due, except_ids=())


def take_in_marks(which: UnitRange, now: datetime) -> None:
    """Delete the marks that an assessment as of ``now`` sees, and what was rolled up of the days they touch.

    In its transaction, before it reads.
    """
    forget_days_marked(which, now)
