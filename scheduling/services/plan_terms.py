"""A plan's escalator and included visits by date: added and taken back, never changed."""

from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.db.models import Q

from fleet.models import Person
from scheduling.models import PlanTerms, ServicePlan
from shared.errors import CannotDo

MOST_VISITS = 366


def terms_on(plan: ServicePlan, day: date) -> ServicePlan | PlanTerms:
    """Return what holds the plan's escalator and included visits on a day: dated terms, else the plan itself.

    Reads ``plan.terms.all()``, so that a prefetch is made use of.
    """
    standing = [row for row in plan.terms.all() if row.taken_back_at is None and row.from_on <= day]
    return max(standing, key=lambda row: row.from_on, default=plan)


def limited_plans() -> Q:
    """Return the condition on plans that limit their visits, at any time."""
    return Q(included_visits_per_year__isnull=False) | Q(
        terms__included_visits_per_year__isnull=False, terms__taken_back_at__isnull=True
    )


@transaction.atomic
def set_terms(
    plan: ServicePlan,
    *,
    from_on: date,
    escalator_percent: Decimal,
    included_visits_per_year: int | None,
    by: Person | None,
    now: datetime,
) -> PlanTerms:
    """Give a plan new terms from a day on. Prices that an escalator has written already stand.

    Raises CannotDo for a day outside the plan, a day with terms of its own, or numbers out of range.
    """
    list(ServicePlan.objects.select_for_update().filter(pk=plan.pk))
    if from_on < plan.starts_on or (plan.ends_on and from_on >= plan.ends_on):
        raise CannotDo(
            f"{from_on} lies outside plan {plan.code}.",
            remedy=f"It runs from {plan.starts_on} to {plan.ends_on or 'no fixed day'}; choose a day in it.",
            field="from_on",
        )
    if not 0 <= escalator_percent <= 100:
        raise CannotDo(
            f"A price can't rise by {escalator_percent} percent a year.", remedy="Give 0 to 100.",
            field="escalator_percent",
        )  # fmt: skip
    if included_visits_per_year is not None and not 0 <= included_visits_per_year <= MOST_VISITS:
        raise CannotDo(
            f"{included_visits_per_year} visits a year can't be included.",
            remedy=f"Give 0 to {MOST_VISITS}, or leave it empty for as many as needed.",
            field="included_visits_per_year",
        )
    if plan.terms.filter(from_on=from_on, taken_back_at__isnull=True).exists():
        raise CannotDo(
            f"Plan {plan.code} has terms from {from_on} on already.",
            remedy="Take those back first, or choose another day.",
            field="from_on",
        )
    return PlanTerms.objects.create(
        plan=plan,
        from_on=from_on,
        escalator_percent=escalator_percent,
        included_visits_per_year=included_visits_per_year,
        made_at=now,
        made_by=by,
    )


@transaction.atomic
def take_back_terms(terms: PlanTerms, *, by: Person | None, now: datetime) -> PlanTerms:
    """Take terms back; the row stays, with who took it back. Doing so again changes nothing."""
    terms = PlanTerms.objects.select_for_update().get(pk=terms.pk)
    if terms.taken_back_at is None:
        terms.taken_back_at, terms.taken_back_by = now, by
        terms.save(update_fields=["taken_back_at", "taken_back_by"])
    return terms
