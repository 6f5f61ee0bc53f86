"""The night's run: begun once, however many timetables or deliveries ask for it."""

from datetime import date, datetime

from django.db import IntegrityError, transaction

from fleet.models import AssessmentRun
from fleet.services.assessment import start_run


def start_night(now: datetime, night_on: date, shard_size: int) -> AssessmentRun | None:
    """Begin the run of a night; None when it was begun before.

    The database keeps one run a night, so two timetables at the same moment begin one.
    """
    if AssessmentRun.objects.filter(night_on=night_on).exists():
        return None
    try:
        with transaction.atomic():
            run = start_run(now, shard_size, is_full=False)
            run.night_on = night_on
            AssessmentRun.objects.filter(pk=run.pk).update(night_on=night_on)
    except IntegrityError:
        return None
    return run
