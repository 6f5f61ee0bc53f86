"""What the planner is told: prices as dated rows, driving times set by hand between two sites."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Person, Site
from scheduling.models import PlanPriceList, TravelCorrection
from scheduling.planning.problem import PlanSettings
from scheduling.planning.travel import Correction
from scheduling.services.order_states import in_batches
from shared.errors import CannotDo

MOST_MINUTES = 1440
"""A drive set by hand takes a day at most. [min]"""


def price_list_on(day: date) -> PlanPriceList | None:
    """Return the price list that counts on a day; None where nobody ever set one."""
    return PlanPriceList.objects.filter(from_on__lte=day).order_by("-from_on").first()


def prices_on(day: date) -> PlanSettings:
    """Return the planner's prices for a plan that begins on this day."""
    row = price_list_on(day)
    return as_settings(row) if row else PlanSettings()


def as_settings(row: PlanPriceList) -> PlanSettings:
    """Return a price list as the planner reads it."""
    return PlanSettings(
        site_visit=row.site_visit_minutes,
        late_day=row.late_day_minutes,
        missed=row.missed_minutes,
        missed_per_day=row.missed_per_day_minutes,
        carry_over_least=row.carry_over_least_minutes,
        carry_over_most=row.carry_over_most_minutes,
        carry_over_days=row.carry_over_days,
        other_technician=row.other_technician_minutes,
        overtime=row.overtime_per_minute,
        overtime_allowed_s=row.overtime_allowed_minutes * 60,
        fairness=row.fairness_per_minute,
        lunch_earliest_s=_seconds(row.lunch_earliest),
        lunch_latest_s=_seconds(row.lunch_latest),
    )


@transaction.atomic
def change_prices(
    values: Mapping[str, object], *, from_on: date, by: Person | None, now: datetime, today: date
) -> PlanPriceList:
    """Keep a price list from a day on; a second change for the same day replaces the first.

    Raises CannotDo for a day gone by (plans made then keep what counted then) and for values out of order.
    """
    if from_on < today:
        raise CannotDo(
            f"Prices can't change from {from_on:%d %b %Y}, which has passed.",
            remedy="Choose today or a later day.",
            field="from_on",
        )
    row = PlanPriceList.objects.filter(from_on=from_on).first() or PlanPriceList(from_on=from_on)
    for name, value in values.items():
        setattr(row, name, value)
    row.made_at, row.made_by = now, by
    try:
        row.full_clean()
    except ValidationError as error:
        raise CannotDo(" ".join(error.messages), remedy="Change one of the two values.") from error
    row.save()
    return row


@transaction.atomic
def set_correction(
    one: Site, two: Site, *, minutes: int, because: str, by: Person | None, now: datetime
) -> TravelCorrection:
    """Say how long the drive between two sites takes, both ways. Raises CannotDo for one site given twice."""
    if one.pk == two.pk:
        raise CannotDo("Both ends are the same site.", remedy="Choose two different sites.", field="site_b")
    if not 0 <= minutes <= MOST_MINUTES:
        raise CannotDo(
            f"A drive of {minutes} minutes can't be planned.",
            remedy=f"Give 0 to {MOST_MINUTES} minutes.",
            field="minutes",
        )
    first, second = sorted((one, two), key=lambda site: site.pk)
    row, _ = TravelCorrection.objects.update_or_create(
        site_a=first,
        site_b=second,
        defaults={"minutes": minutes, "because": because, "set_at": now, "set_by": by},
    )
    return row


def remove_correction(row: TravelCorrection) -> None:
    """Let the road engine or the estimate count again for this pair."""
    row.delete()


def corrections_among(site_codes: Iterable[str]) -> list[Correction]:
    """Return the hand-set drives that begin at one of these sites; the travel table ignores unknown ends."""
    found: list[Correction] = []
    for codes in in_batches(site_codes):
        rows = TravelCorrection.objects.filter(site_a__code__in=codes)
        found += [
            Correction(a, b, minutes * 60)
            for a, b, minutes in rows.values_list("site_a__code", "site_b__code", "minutes")
        ]
    return found


def _seconds(at: time) -> int:
    return at.hour * 3600 + at.minute * 60 + at.second
