"""What a plan promises and when: visits that are due, and whether a day's work is covered.

How many visits of a plan's year are in its price. Those beyond are charged like work outside a plan.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Min

from fleet.models import TreatmentUnit
from scheduling.contracts.prices import terms_on
from scheduling.models import OUTSIDE_PLANS, CloseOut, Outcome, ServicePlan
from shared.messages import message
from shared.periods import add_months, local_day

AHEAD_DAYS: Final = 28
"""A promised visit is raised this long before its day: two plan horizons and a phone call. Our choice."""
LEEWAY_DAYS: Final = 14
"""A promised visit may come this much earlier or later. *Common practice*, if the contract says nothing."""


@dataclass(frozen=True)
class PlanVisit:
    """One promised visit that should be raised."""

    plan: ServicePlan
    treatment_unit_id: int
    due_on: date

    @property
    def cause_key(self) -> str:
        return f"plan_visit:plan:{self.plan.pk}:{self.due_on.isoformat()}"

    @property
    def window(self) -> tuple[date, date]:
        leeway = timedelta(days=LEEWAY_DAYS)
        return self.due_on - leeway, self.due_on + leeway

    @property
    def why(self) -> str:
        months = self.plan.visit_every_months
        often = message("every month") if months == 1 else message("every {months} months", months=months)
        return message(
            "Plan {code} promises a visit {often}; this one is due on {due_on:%d %b %Y}.",
            code=self.plan.code,
            often=often,
            due_on=self.due_on,
        )


def due_on(plan: ServicePlan, today: date) -> date | None:
    """Return the newest promised day that is past or near; None when there is none yet.

    The first promise falls due one interval after the plan starts.
    """
    every = plan.visit_every_months
    if not every:
        return None
    last = today + timedelta(days=AHEAD_DAYS)
    months = (last.year - plan.starts_on.year) * 12 + last.month - plan.starts_on.month
    count = months // every
    while count > 0 and add_months(plan.starts_on, count * every) > last:
        count -= 1
    if count < 1:
        return None
    day = add_months(plan.starts_on, count * every)
    return None if plan.ends_on and day >= plan.ends_on else day


def visits_due(now: datetime, known_plan_ids: set[int]) -> tuple[list[PlanVisit], list[ServicePlan]]:
    """Return promised visits that are due, and plans whose site has no treatment unit to visit.

    A promise older than its leeway is history unless the plan has had visits raised before: a company that
    has just come in is not sent to every visit of the past.
    """
    plans = (
        ServicePlan.objects.filter(
            visit_every_months__gt=0, site__is_closed=False, treatment_unit__retired_on__isnull=True
        )
        .select_related("site")
        .order_by("pk")
    )
    first_at_site = dict(
        TreatmentUnit.objects.filter(is_out_of_service=False)
        .values("site_id")
        .annotate(first=Min("pk"))
        .values_list("site_id", "first")
    )
    visits, homeless = [], []
    for plan in plans:
        today = local_day(now, plan.site.time_zone)
        if plan.starts_on > today or (plan.ends_on is not None and plan.ends_on <= today):
            continue
        day = due_on(plan, today)
        if day is None or (day < today - timedelta(days=LEEWAY_DAYS) and plan.pk not in known_plan_ids):
            continue
        unit_id = plan.treatment_unit_id or first_at_site.get(plan.site_id)
        if unit_id is None:
            homeless.append(plan)
        else:
            visits.append(PlanVisit(plan, unit_id, day))
    return visits, homeless


@dataclass(frozen=True)
class Cover:
    """What the plans of a site cover on one day."""

    work_by: ServicePlan | None
    parts_by: ServicePlan | None


def cover(plans: Iterable[ServicePlan], treatment_unit_id: int | None, day: date) -> Cover:
    """Return which of a site's plans cover work and parts at a treatment unit on a day."""
    work_by = parts_by = None
    for plan in plans:
        speaks = plan.treatment_unit_id is None or plan.treatment_unit_id == treatment_unit_id
        if speaks and plan.starts_on <= day and (plan.ends_on is None or day < plan.ends_on):
            work_by = work_by or plan
            if plan.includes_parts:
                parts_by = parts_by or plan
    return Cover(work_by, parts_by)


def is_included(plan: ServicePlan, done_on: date, zone_name: str) -> bool:
    """Say whether a visit on a day is among the visits a plan includes in its year.

    A visit is a day on which something was done that the plan covers; second flushes belong to the visit they
    follow, and one-off work is outside every plan. Earlier days of the year count first.
    """
    included = terms_on(plan, done_on).included_visits_per_year
    if included is None:
        return True
    begins = year_start(plan, done_on)
    done = CloseOut.objects.filter(
        order__site_id=plan.site_id,
        order__follows__isnull=True,
        outcome__in=[Outcome.DONE, Outcome.BEDDING],
        undone_at__isnull=True,
        finished_at__date__range=(begins - timedelta(days=1), done_on),
    ).exclude(order__kind__in=OUTSIDE_PLANS)
    if plan.treatment_unit_id:
        done = done.filter(order__treatment_unit_id=plan.treatment_unit_id)
    days = {local_day(moment, zone_name) for moment in done.values_list("finished_at", flat=True)}
    earlier = sum(begins <= day < done_on for day in days)
    return earlier < included


def year_start(plan: ServicePlan, day: date) -> date:
    """Return the first day of the plan's year a day lies in."""
    years = day.year - plan.starts_on.year
    start = add_months(plan.starts_on, 12 * years)
    return start if start <= day else add_months(plan.starts_on, 12 * (years - 1))
