"""How many visits of a plan's year are in its price. Those beyond are charged like work outside a plan."""

from datetime import date, timedelta

from scheduling.models import CloseOut, OrderKind, Outcome, ServicePlan
from scheduling.services.plan_terms import terms_on
from shared.periods import add_months, local_day


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
    ).exclude(order__kind=OrderKind.ONE_OFF)
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
