"""A plan's escalator and included visits by date: added and taken back, never changed.

Changes a plan's price by a new dated row; gives discounts and pauses. Nothing is overwritten.

Entries follow by themselves: the next run of ``revenue.enter_revenue`` enters what a change makes of the
months it touches, as corrections in the open month where they are closed.
"""

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from django.db import transaction
from django.db.models import Q

from fleet.models import Person
from scheduling.models import PeriodKind, PlanPeriod, PlanPrice, PlanTerms, ServicePlan
from shared.errors import DomainError
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months, month_start
from shared.translation import label_of

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


def _refuse_outside(plan: ServicePlan, from_on: date) -> None:
    if from_on < plan.starts_on or (plan.ends_on and from_on >= plan.ends_on):
        raise DomainError(
            message("{from_on} lies outside plan {code}.", from_on=from_on, code=plan.code),
            remedy=message(
                "It runs from {starts_on} to {ends_on}; choose a day in it.",
                starts_on=plan.starts_on,
                ends_on=plan.ends_on or message("no fixed day"),
            ),
            field="from_on",
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

    Raises DomainError for a day outside the plan, a day with terms of its own, or numbers out of range.
    """
    list(ServicePlan.objects.select_for_update().filter(pk=plan.pk))
    _refuse_outside(plan, from_on)
    if not 0 <= escalator_percent <= 100:
        raise DomainError(
            message(
                "A price can't rise by {escalator_percent} percent a year.",
                escalator_percent=escalator_percent,
            ),
            remedy=message("Give 0 to 100."),
            field="escalator_percent",
        )
    if included_visits_per_year is not None and not 0 <= included_visits_per_year <= MOST_VISITS:
        raise DomainError(
            message(
                "{included_visits_per_year} visits a year can't be included.",
                included_visits_per_year=included_visits_per_year,
            ),
            remedy=message(
                "Give 0 to {most_visits}, or leave it empty for as many as needed.", most_visits=MOST_VISITS
            ),
            field="included_visits_per_year",
        )
    if plan.terms.filter(from_on=from_on, taken_back_at__isnull=True).exists():
        raise DomainError(
            message("Plan {code} has terms from {from_on} on already.", code=plan.code, from_on=from_on),
            remedy=message("Take those back first, or choose another day."),
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


MOST_AMOUNT: Final = Decimal("99999999.99")
BATCH: Final = 2000


@dataclass
class EscalationReport:
    """What one run of the escalators wrote."""

    prices: list[PlanPrice] = field(default_factory=list)
    rise: Decimal = Decimal("0.00")
    """Sum of the rises, each per its plan's own interval. [currency]"""


@transaction.atomic
def set_price(plan: ServicePlan, *, amount: Decimal, from_on: date) -> PlanPrice:
    """Give a plan a new price from a day on.

    Raises DomainError when the plan has a price of that very day already, when the day lies outside the plan,
    or for an amount no price can have.
    """
    price = to_cents(amount)
    if not 0 <= price <= MOST_AMOUNT:
        raise DomainError(
            message("{amount} can't be a price.", amount=amount),
            remedy=message("Give an amount from 0 to {most_amount:,}.", most_amount=MOST_AMOUNT),
            field="amount",
        )
    _refuse_outside(plan, from_on)
    standing = PlanPrice.objects.filter(plan=plan, from_on=from_on).first()
    if standing is not None:
        raise DomainError(
            message(
                "Plan {code} has the price {amount} from {from_on} on already.",
                code=plan.code,
                amount=standing.amount,
                from_on=from_on,
            ),
            remedy=message("A price is not overwritten: choose another day."),
            field="from_on",
        )
    return PlanPrice.objects.create(plan=plan, from_on=from_on, amount=price)


def told_price(price: PlanPrice) -> str:
    """Say for the audit trail which price took over from which."""
    before = PlanPrice.objects.filter(plan=price.plan, from_on__lt=price.from_on).order_by("-from_on").first()
    return message(
        "{before} → {amount} from {from_on} on",
        before=before.amount if before else "none",
        amount=price.amount,
        from_on=price.from_on,
    )


def told_period(period: PlanPeriod) -> str:
    """Say for the audit trail what a discount or a pause takes off the full price, and when."""
    off = (
        "pause"
        if period.kind == PeriodKind.PAUSE
        else message("{percent_off:f} % off", percent_off=period.percent_off)
    )
    return message(
        "full price → {off}, {from_on} to {to_on}: {why}",
        off=off,
        from_on=period.from_on,
        to_on=period.to_on or message("open end"),
        why=period.why,
    )


@transaction.atomic
def escalate(*, through: date, today: date) -> EscalationReport:
    """Write the prices that escalators bring on anniversaries from this month on up to a day.

    The new price is the one in force the day before, raised and rounded half up to the cent. Safe to run
    twice: an anniversary that has a price of its own, written by hand or by an earlier run, is left alone.
    Anniversaries before this month are history and are not made up for.
    """
    report = EscalationReport()
    plans = (
        ServicePlan.objects.filter(starts_on__lt=through)
        .filter(Q(escalator_percent__gt=0) | Q(terms__escalator_percent__gt=0))
        .filter(Q(ends_on__isnull=True) | Q(ends_on__gt=today))
        .distinct()
        .order_by("pk")
        .prefetch_related("prices", "terms")
    )
    for plan in plans:
        prices = {price.from_on: price.amount for price in plan.prices.all()}
        for day in _anniversaries(plan, month_start(today), through):
            before = [amount for from_on, amount in sorted(prices.items()) if from_on < day]
            if day in prices or not before:
                continue
            raised = to_cents(before[-1] * (1 + terms_on(plan, day).escalator_percent / 100))
            if raised > MOST_AMOUNT or raised == before[-1]:
                continue
            prices[day] = raised
            report.prices.append(PlanPrice(plan=plan, from_on=day, amount=raised))
            report.rise += raised - before[-1]
    PlanPrice.objects.bulk_create(report.prices, batch_size=BATCH)
    return report


def _anniversaries(plan: ServicePlan, first: date, through: date) -> list[date]:
    years = range(max(1, first.year - plan.starts_on.year), through.year - plan.starts_on.year + 1)
    days = [add_months(plan.starts_on, 12 * year) for year in years]
    return [day for day in days if first <= day <= through and (plan.ends_on is None or day < plan.ends_on)]


@transaction.atomic
def end_period(period: PlanPeriod, *, to_on: date) -> PlanPeriod:
    """End a pause or discount that has no end yet.

    Raises DomainError when it has one, or for an early day.
    """
    period = PlanPeriod.objects.select_for_update().get(pk=period.pk)
    if period.to_on is not None:
        raise DomainError(
            message(
                "This {kind} ends on {to_on} already.",
                kind=label_of(PeriodKind, period.kind).lower(),
                to_on=period.to_on,
            ),
            remedy=message("Begin a new one after it."),
        )
    if to_on <= period.from_on:
        raise DomainError(
            message("{to_on} is not after {from_on}, its first day.", to_on=to_on, from_on=period.from_on),
            remedy=message("Choose a later day."),
            field="to_on",
        )
    period.to_on = to_on
    period.save(update_fields=["to_on"])
    return period


def pause(plan: ServicePlan, **given: Any) -> PlanPeriod:
    """Let a plan rest: it earns nothing from a day on. Takes what ``discount`` takes but ``percent_off``."""
    return _add_period(plan, PeriodKind.PAUSE, percent_off=Decimal(100), **given)


def discount(plan: ServicePlan, *, percent_off: Decimal, **given: Any) -> PlanPeriod:
    """Take a share off a plan's price ``from_on`` a day, up to ``to_on`` (not included; None: no fixed end).

    Takes ``why``, ``by`` and ``now`` as well. Raises DomainError for a share outside 0 to 100, no reason, or
    days that overlap a period of the kind.
    """
    if not 0 < percent_off <= 100:
        raise DomainError(
            message("{percent_off} percent can't be taken off.", percent_off=percent_off),
            remedy=message("Give more than 0 and at most 100."),
            field="percent_off",
        )
    return _add_period(plan, PeriodKind.DISCOUNT, percent_off=percent_off, **given)


@transaction.atomic
def _add_period(
    plan: ServicePlan,
    kind: str,
    *,
    percent_off: Decimal,
    from_on: date,
    to_on: date | None,
    why: str,
    by: Person | None,
    now: datetime,
) -> PlanPeriod:
    if not why.strip():
        raise DomainError(
            message("A {kind} says why.", kind=kind), remedy=message("Write a few words."), field="why"
        )
    if to_on is not None and to_on <= from_on:
        raise DomainError(
            message("{to_on} is not after {from_on}.", to_on=to_on, from_on=from_on),
            remedy=message("Give the first day after the period."),
            field="to_on",
        )
    list(ServicePlan.objects.select_for_update().filter(pk=plan.pk))
    clash = PlanPeriod.objects.filter(plan=plan, kind=kind).filter(
        Q(to_on__isnull=True) | Q(to_on__gt=from_on)
    )
    if to_on is not None:
        clash = clash.filter(from_on__lt=to_on)
    standing = clash.first()
    if standing is not None:
        raise DomainError(
            message(
                "Plan {code} has a {kind} from {from_on} to {to_on}.",
                code=plan.code,
                kind=kind,
                from_on=standing.from_on,
                to_on=standing.to_on or message("no fixed day"),
            ),
            remedy=message("Choose days that do not overlap it."),
            field="from_on",
        )
    return PlanPeriod.objects.create(
        plan=plan, kind=kind, percent_off=percent_off, from_on=from_on, to_on=to_on, why=why.strip()[:160],
        made_at=now, made_by=by,
    )  # fmt: skip
