"""A service plan begins: at a site or for one treatment unit there, with its first price."""

from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.db import transaction

from fleet.models import AuditArea, Person, Site, TreatmentUnit
from fleet.people import audit
from scheduling.contracts.prices import MOST_AMOUNT
from scheduling.models import PlanPrice, ServicePlan
from shared.errors import DomainError
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months

LONGEST_BACK_MONTHS: Final = 60
"""No plan is begun further back than a month end may close at once. *Ours.*"""


def free_code() -> str:
    """Return the next number of a plan that none has."""
    taken = set(ServicePlan.objects.values_list("code", flat=True))
    return next(code for n in range(len(taken) + 1, 10**7) if (code := f"P{n:04d}") not in taken)


@transaction.atomic
def start_plan(
    site: Site,
    *,
    name: str,
    interval: str,
    amount: Decimal,
    starts_on: date,
    today: date,
    by: Person | None,
    now: datetime,
    treatment_unit: TreatmentUnit | None = None,
    visit_every_months: int | None = None,
    includes_parts: bool = True,
    escalator_percent: Decimal = Decimal(0),
    included_visits_per_year: int | None = None,
    ends_on: date | None = None,
    code: str = "",
) -> ServicePlan:
    """Begin a plan with its first price. ``ends_on``: first day not covered.

    Raises DomainError for a plan that ends before it starts, begins years ago, stands under that number
    already, is for a treatment unit of another site, or covers what a plan of the same name covers then.
    """
    if ends_on is not None and ends_on <= starts_on:
        raise DomainError(
            message("A plan that starts on {starts_on:%d %b %Y} can't end before that.", starts_on=starts_on),
            remedy=message("Choose a later end, or none."),
            field="ends_on",
        )
    if starts_on < add_months(today, -LONGEST_BACK_MONTHS):
        raise DomainError(
            message("{starts_on:%d %b %Y} is more than five years ago.", starts_on=starts_on),
            remedy=message("Look at the year. What was billed before Tapward is not billed again."),
            field="starts_on",
        )
    if treatment_unit is not None and treatment_unit.site_id != site.pk:
        raise DomainError(
            message("{serial} does not stand at {name}.", serial=treatment_unit.serial, name=site.name),
            remedy=message("Choose a treatment unit of this site."),
            field="treatment_unit",
        )
    price = to_cents(amount)
    if not 0 <= price <= MOST_AMOUNT:
        raise DomainError(
            message("{amount} can't be a price.", amount=amount),
            remedy=message("Give an amount from 0 to {most_amount:,}.", most_amount=MOST_AMOUNT),
            field="amount",
        )
    list(Site.objects.select_for_update().filter(pk=site.pk))
    if code and ServicePlan.objects.filter(code=code).exists():
        raise DomainError(
            message("There is a plan {code} already.", code=code),
            remedy=message("Give another number, or none: the next free one is taken."),
            field="code",
        )
    same = ServicePlan.objects.filter(site=site, treatment_unit=treatment_unit, name__iexact=name.strip())
    for other in same:
        if (other.ends_on is None or other.ends_on > starts_on) and (
            ends_on is None or other.starts_on < ends_on
        ):
            raise DomainError(
                message("Plan {code} of this name covers that already.", code=other.code),
                remedy=message("End that one first, start later, or give another name."),
                field="name",
            )
    plan = ServicePlan.objects.create(
        code=code or free_code(), name=name.strip(), site=site, treatment_unit=treatment_unit,
        interval=interval, visit_every_months=visit_every_months, includes_parts=includes_parts,
        starts_on=starts_on, ends_on=ends_on, escalator_percent=escalator_percent,
        included_visits_per_year=included_visits_per_year,
    )  # fmt: skip
    PlanPrice.objects.create(plan=plan, from_on=starts_on, amount=price)
    told = message(
        "{name} at {site} from {day:%d %b %Y}, {price} a {interval}",
        name=plan.name, site=site.code, day=starts_on, price=price, interval=interval,
    )  # fmt: skip
    audit.note(message("plan started"), area=AuditArea.MONEY, about=plan.code, detail=told, by=by, now=now)
    return plan
