"""What the planner is told: prices as dated rows, driving times set by hand between two sites.

What the page of driving times shows: hand-set drives, and what finished visits teach.
Travel times: from a road engine when one is configured, kept in the database; else the estimate.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from fleet.models import Branch, Person, Site
from scheduling.models import PlanPriceList, TravelCorrection, TravelLeg
from scheduling.orders.states import in_batches
from scheduling.planning.duration_factor import NEEDED
from scheduling.planning.problem import PlanSettings
from scheduling.planning.road_engine import Leg, PairKey, RoadEngine, road_travel
from scheduling.planning.travel import Correction, Place, TravelSettings, TravelTable, estimate_travel
from scheduling.routes.duration_factors import Suggestion, suggestions
from shared.errors import DomainError
from shared.messages import message

MOST_MINUTES = 1440
"""A drive set by hand takes a day at most. [min]"""


def price_list_on(day: date) -> PlanPriceList | None:
    """Return the price list that counts on a day; None where nobody ever set one."""
    return PlanPriceList.objects.filter(from_on__lte=day).order_by("-from_on").first()


def prices_on(day: date) -> PlanSettings:
    """Return the planner's prices for a plan that begins on this day."""
    return as_settings(price_list_on(day) or PlanPriceList())


def as_settings(row: PlanPriceList) -> PlanSettings:
    """Return a price list as the planner reads it."""
    return PlanSettings(
        site_visit=row.site_visit_minutes,
        disturbance=row.disturbance_minutes,
        late_day=row.late_day_minutes,
        waiting_week=row.waiting_week_minutes,
        missed=row.missed_minutes,
        missed_per_day=row.missed_per_day_minutes,
        carry_over_least=row.carry_over_least_minutes,
        carry_over_most=row.carry_over_most_minutes,
        carry_over_days=row.carry_over_days,
        other_technician=row.other_technician_minutes,
        overtime=row.overtime_per_minute,
        overtime_allowed_s=row.overtime_allowed_minutes * 60,
        fairness=row.fairness_per_minute,
        lunch_earliest_s=seconds_of(row.lunch_earliest),
        lunch_latest_s=seconds_of(row.lunch_latest),
    )


def seconds_of(at: time) -> int:
    """Return a wall-clock time as seconds since midnight. [s]"""
    return at.hour * 3600 + at.minute * 60 + at.second


@transaction.atomic
def change_prices(
    *, from_on: date, by: Person | None, now: datetime, today: date, **values: object
) -> PlanPriceList:
    """Keep a price list from a day on; a second change for the same day replaces the first.

    Raises DomainError for a day gone by (plans made then keep what counted then) and for values out of order.
    """
    if from_on < today:
        raise DomainError(
            message("Prices can't change from {from_on:%d %b %Y}, which has passed.", from_on=from_on),
            remedy=message("Choose today or a later day."),
            field="from_on",
        )
    row = PlanPriceList.objects.filter(from_on=from_on).first() or PlanPriceList(from_on=from_on)
    for name, value in values.items():
        setattr(row, name, value)
    row.made_at, row.made_by = now, by
    try:
        row.full_clean()
    except ValidationError as error:
        raise DomainError(
            " ".join(error.messages), remedy=message("Change one of the two values.")
        ) from error
    row.save()
    return row


@transaction.atomic
def set_correction(
    site_a: Site, site_b: Site, *, minutes: int, because: str, by: Person | None, now: datetime
) -> TravelCorrection:
    """Say how long the drive between two sites takes, both ways.

    Raises DomainError for one site given twice.
    """
    if site_a.pk == site_b.pk:
        raise DomainError(
            message("Both ends are the same site."),
            remedy=message("Choose two different sites."),
            field="site_b",
        )
    if not 0 <= minutes <= MOST_MINUTES:
        raise DomainError(
            message("A drive of {minutes} minutes can't be planned.", minutes=minutes),
            remedy=message("Give 0 to {most_minutes} minutes.", most_minutes=MOST_MINUTES),
            field="minutes",
        )
    first, second = sorted((site_a, site_b), key=lambda site: site.pk)
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


@dataclass(frozen=True)
class BranchFactors:
    """One branch: what can be accepted or is in use, and what has too few visits yet."""

    branch: Branch
    rows: list[Suggestion]
    waiting: list[Suggestion]
    needed: int = NEEDED


def correction_rows(branch_id: int | None) -> list[TravelCorrection]:
    """Return the drives set by hand. One query."""
    rows = TravelCorrection.objects.select_related("site_a", "site_b", "set_by")
    return list(rows.filter(site_a__branch_id=branch_id) if branch_id else rows)


def factor_rows(branch_id: int | None, now: datetime, site_visit_min: float) -> list[BranchFactors]:
    """Return what visits teach, branch by branch. Two queries a branch."""
    branches = Branch.objects.order_by("name")
    found = []
    for branch in branches.filter(pk=branch_id) if branch_id else branches:
        all_rows = suggestions(branch, now=now, site_visit_min=site_visit_min)
        rows = [one for one in all_rows if one.is_learned or one.in_use]
        waiting = [one for one in all_rows if not one.is_learned and not one.in_use]
        found.append(BranchFactors(branch, rows, waiting))
    return found


_ENGINE_LENGTH = TravelLeg._meta.get_field("engine").max_length


class LegsInDatabase:
    """Keeps legs as rows, per engine and pair of points rounded to about a metre."""

    def fetch(self, engine: str, keys: Sequence[PairKey]) -> Mapping[PairKey, Leg]:
        """Return the legs that are known."""
        wanted = set(keys)
        by_text = {(_text(key[0], key[1]), _text(key[2], key[3])): key for key in wanted}
        origins = sorted({origin for origin, _ in by_text})
        found: dict[PairKey, Leg] = {}
        for part in in_batches(origins):
            rows = TravelLeg.objects.filter(
                Q(engine=_short(engine)), from_place__in=part, seconds__isnull=False
            )
            for origin, destination, seconds, metres in rows.values_list(
                "from_place", "to_place", "seconds", "metres"
            ).iterator():
                key = by_text.get((origin, destination))
                if key is not None:
                    found[key] = (seconds, metres or 0)
        return found

    def store(self, engine: str, legs: Mapping[PairKey, Leg]) -> None:
        """Keep legs; what is known already stays."""
        TravelLeg.objects.bulk_create(
            (
                TravelLeg(
                    engine=_short(engine), from_place=_text(key[0], key[1]), to_place=_text(key[2], key[3]),
                    seconds=seconds, metres=metres,
                )
                for key, (seconds, metres) in legs.items()
            ),
            batch_size=2000,
            ignore_conflicts=True,
        )  # fmt: skip


def travel_between(places: Sequence[Place], pace: float = 1.0) -> TravelTable:
    """Return the travel table of these places, and say in it where the times come from.

    Drives set by hand between two sites win over the road engine and over the estimate; ``pace`` multiplies
    the estimate alone.
    """
    hand_set = corrections_among(place.id for place in places)
    reckoned = TravelSettings(duration_factor=pace)
    if settings.ROAD_ENGINE_URL:
        engine = RoadEngine(settings.ROAD_ENGINE_URL)
        return road_travel(places, engine, cache=LegsInDatabase(), settings=reckoned, corrections=hand_set)
    return estimate_travel(places, settings=reckoned, corrections=hand_set)


def _text(latitude: float, longitude: float) -> str:
    return f"{latitude:.5f},{longitude:.5f}"


def _short(engine: str) -> str:
    if len(engine) <= _ENGINE_LENGTH:
        return engine
    return f"{engine[: _ENGINE_LENGTH - 13]} {hashlib.sha256(engine.encode()).hexdigest()[:12]}"
