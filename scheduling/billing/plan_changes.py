"""A plan ends, with its last invoice; and many plans' prices change from a day on, shown before it is kept.

Nothing is written into revenue here: the next run of ``revenue.enter_revenue`` enters what a change makes of
the months it touches, as corrections in the open month where they are closed.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.db.models import QuerySet

from fleet.models import AuditArea, Person
from fleet.people import audit
from scheduling.billing.revenue import entered_by_plan
from scheduling.contracts.plan_money import MONTHS_OF, DatedPrice, Discount, earned_in, months_of
from scheduling.contracts.prices import MOST_AMOUNT
from scheduling.models import (
    ClosedMonth,
    InvoiceLine,
    PlanPrice,
    PriceChange,
    ServicePlan,
    WorkOrder,
)
from scheduling.orders import states
from scheduling.orders.kinds import PLANNED
from shared.errors import DomainError
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months, month_start

ZERO: Final = Decimal("0.00")
LAST_AHEAD_YEARS: Final = 10


@dataclass(frozen=True)
class EndMonth:
    """What a plan's end makes of a month."""

    month: date
    entered: Decimal
    becomes: Decimal
    falls_into: date
    """The month that takes the difference: its own, or the next open one."""

    @property
    def difference(self) -> Decimal:
        """What is still entered: to be invoiced, or given back where negative."""
        return self.becomes - self.entered


@dataclass(frozen=True)
class PlanEnd:
    """A plan's end before it is kept, and after."""

    last_on: date
    """Last day covered."""
    months: list[EndMonth]
    """The month of the last day, and later ones with entries."""
    visits: list[WorkOrder]
    """Promised visits still standing that would come after it; they are withdrawn."""

    @property
    def last_invoice(self) -> EndMonth:
        """What the month of the last day comes to."""
        return self.months[0]

    @property
    def given_back(self) -> Decimal:
        """What was entered for days after the end. [currency]"""
        return sum((max(ZERO, -one.difference) for one in self.months), ZERO)


def plan_end(plan: ServicePlan, last_on: date, *, today: date) -> PlanEnd:
    """Return what an end makes of a plan's money and visits. Raises DomainError for a wrong day."""
    if last_on < plan.starts_on:
        raise DomainError(
            message(
                "Plan {code} starts on {starts_on:%d %b %Y}; it can't end before that.",
                code=plan.code, starts_on=plan.starts_on,
            ),
            remedy=message("Choose that day or a later one."),
            field="last_on",
        )  # fmt: skip
    if last_on > add_months(today, 12 * LAST_AHEAD_YEARS):
        raise DomainError(
            message("{last_on:%d %b %Y} is more than ten years ahead.", last_on=last_on),
            remedy=message("Look at the year."),
            field="last_on",
        )
    ends_on = last_on + timedelta(days=1)
    prices = [DatedPrice(*row) for row in plan.prices.order_by("from_on").values_list("from_on", "amount")]
    periods = plan.periods.order_by("from_on", "pk").values_list("from_on", "to_on", "percent_off")
    discounts = [Discount(*row) for row in periods]
    entered = {
        date.fromisoformat(f"{key[-7:]}-01"): found.amount
        for key, found in entered_by_plan([plan.pk]).get(plan.pk, {}).items()
    }
    closed = set(ClosedMonth.objects.values_list("month", flat=True))
    months = []
    for month in months_of(last_on, None, max([month_start(last_on), *entered])):
        becomes = earned_in(
            month, interval=plan.interval, starts_on=plan.starts_on, ends_on=ends_on, prices=prices,
            discounts=discounts,
        )  # fmt: skip
        falls_into = month
        while falls_into in closed:
            falls_into = add_months(falls_into, 1)
        months.append(EndMonth(month, to_cents(entered.get(month, ZERO)), becomes, falls_into))
    standing = WorkOrder.objects.open().filter(plan=plan, kind=PLANNED.kind)
    visits = [
        order
        for order in standing.select_related("treatment_unit").order_by("window_to", "pk")
        if date.fromisoformat(order.numbers["due_on"]) >= ends_on
    ]
    return PlanEnd(last_on, months, visits)


@transaction.atomic
def end_plan(
    plan: ServicePlan, *, last_on: date, why: str, today: date, by: Person | None, now: datetime
) -> PlanEnd:
    """End a plan with its last day covered; promised visits after it are withdrawn. Ends may be changed.

    Raises DomainError without a reason, for a wrong day, and for a day that was the end already.
    """
    plan = ServicePlan.objects.select_for_update().get(pk=plan.pk)
    if not why.strip():
        raise DomainError(message("An end says why."), remedy=message("Write a few words."), field="why")
    found = plan_end(plan, last_on, today=today)
    ends_on = last_on + timedelta(days=1)
    if plan.ends_on == ends_on:
        raise DomainError(
            message("Plan {code} ends on that day already.", code=plan.code),
            remedy=message("Choose another day."),
            field="last_on",
        )
    before = message("{day:%d %b %Y}", day=plan.ends_on - timedelta(days=1)) if plan.ends_on else "–"
    plan.ends_on = ends_on
    plan.save(update_fields=["ends_on"])
    states.withdraw_all(
        [order.pk for order in found.visits], message("Plan {code} has ended.", code=plan.code), now, by
    )
    told = message(
        "last day {before} → {last_on:%d %b %Y}: {why}", before=before, last_on=last_on, why=why.strip()[:160]
    )
    _note(message("plan ended"), plan.code, told, by, now)
    return found


@transaction.atomic
def undo_end(plan: ServicePlan, *, by: Person | None, now: datetime) -> None:
    """Let a plan go on that was ended. Visits withdrawn with it are raised anew as they fall due.

    Raises DomainError when it has no end, or once the month of its end has been invoiced.
    """
    plan = ServicePlan.objects.select_for_update().get(pk=plan.pk)
    if plan.ends_on is None:
        raise DomainError(
            message("Plan {code} has no end.", code=plan.code), remedy=message("Nothing is undone.")
        )
    last_on = plan.ends_on - timedelta(days=1)
    _refuse_invoiced([plan.pk], month_start(last_on), message("Start a new plan from the day it goes on."))
    plan.ends_on = None
    plan.save(update_fields=["ends_on"])
    _note(
        message("plan goes on"),
        plan.code,
        message("last day {last_on:%d %b %Y} → –", last_on=last_on),
        by,
        now,
    )


def _refuse_invoiced(plan_ids: list[int], month: date, remedy: str) -> None:
    line = (
        InvoiceLine.objects.filter(entry__plan__in=plan_ids, entry__month__gte=month)
        .order_by("month")
        .first()
    )
    if line is not None:
        raise DomainError(message("{month:%Y-%m} has been invoiced by now.", month=line.month), remedy=remedy)


@dataclass(frozen=True)
class PriceLine:
    """One plan's old and new price."""

    plan: ServicePlan
    old: Decimal
    new: Decimal
    why_not: str = ""
    """Why the plan keeps its price; empty where it changes."""

    @property
    def old_monthly(self) -> Decimal:
        """A month's share of the old price."""
        return to_cents(self.old / MONTHS_OF[self.plan.interval])

    @property
    def new_monthly(self) -> Decimal:
        """A month's share of the new price."""
        return to_cents(self.new / MONTHS_OF[self.plan.interval])


@dataclass(frozen=True)
class PricePreview:
    """Many plans' prices before they change."""

    lines: list[PriceLine]

    @property
    def changing(self) -> list[PriceLine]:
        """Those that change."""
        return [line for line in self.lines if not line.why_not]

    @property
    def old_monthly(self) -> Decimal:
        """What the chosen plans earn in a month before. [currency]"""
        return sum((line.old_monthly for line in self.lines), ZERO)

    @property
    def new_monthly(self) -> Decimal:
        """What they earn in a month after. [currency]"""
        return sum((line.new_monthly for line in self.lines), ZERO)


def price_preview(
    plans: QuerySet[ServicePlan], *, from_on: date, percent: Decimal | None, amount: Decimal | None
) -> PricePreview:
    """Return the chosen plans with old and new price from a day on. Two queries.

    Raises DomainError unless it is a percentage or an amount, in sensible bounds. A plan that does not run
    then, or has a price of its own from that day or a later one, keeps it and says so.
    """
    if (percent is None) == (amount is None):
        raise DomainError(
            message("A change of prices is a percentage or an amount."),
            remedy=message("Give one of the two."),
            field="percent",
        )
    if percent is not None and not -100 <= percent <= 100:
        raise DomainError(
            message("{percent} percent is no change of a price.", percent=percent),
            remedy=message("Give -100 to 100."),
            field="percent",
        )
    lines = []
    for plan in plans.select_related("site__customer").prefetch_related("prices").order_by("code"):
        dated = sorted((price.from_on, price.amount) for price in plan.prices.all())
        begun = [value for day, value in dated if day < from_on]
        later = [day for day, _ in dated if day >= from_on]
        old = begun[-1] if begun else ZERO
        raised = old * (1 + percent / 100) if percent is not None else old + (amount or ZERO)
        new, why_not = to_cents(raised), ""
        if plan.starts_on > from_on or (plan.ends_on is not None and plan.ends_on <= from_on):
            why_not = message("It does not run on that day.")
        elif later:
            why_not = message("It has a price of its own from {day:%d %b %Y} on.", day=later[0])
        elif not begun:
            why_not = message("It has no price.")
        elif not 0 <= new <= MOST_AMOUNT:
            why_not = message("{amount} can't be a price.", amount=new)
        elif new == old:
            why_not = message("It would not change.")
        lines.append(PriceLine(plan, old, old if why_not else new, why_not))
    return PricePreview(lines)


@transaction.atomic
def change_prices(
    plans: QuerySet[ServicePlan],
    *,
    from_on: date,
    percent: Decimal | None,
    amount: Decimal | None,
    chosen: str,
    new_monthly: Decimal | None,
    by: Person | None,
    now: datetime,
) -> PriceChange:
    """Give the chosen plans their new prices from a day on, as one change that may be taken back.

    ``new_monthly`` is what the person was shown; None where nobody was. Raises DomainError when it comes to
    something else by now, or when no price would change.
    """
    ids = list(plans.values_list("pk", flat=True))
    list(ServicePlan.objects.select_for_update().filter(pk__in=ids))
    found = price_preview(plans, from_on=from_on, percent=percent, amount=amount)
    if new_monthly is not None and found.new_monthly != new_monthly:
        raise DomainError(
            message(
                "The plans come to {now} a month by now, not {shown}.",
                now=found.new_monthly,
                shown=new_monthly,
            ),
            remedy=message("Somebody changed a plan meanwhile. Look at the list again."),
        )
    if not found.changing:
        raise DomainError(
            message("No price would change."),
            remedy=message("Choose other plans or another day."),
            field="from_on",
        )
    change = PriceChange.objects.create(
        from_on=from_on, percent=percent, amount=amount, chosen=chosen[:300], made_at=now, made_by=by,
        lines=[
            {"plan": line.plan.code, "old": str(line.old), "new": str(line.new)} for line in found.changing
        ],
    )  # fmt: skip
    PlanPrice.objects.bulk_create(
        PlanPrice(plan=line.plan, from_on=from_on, amount=line.new, change=change) for line in found.changing
    )
    told = message(
        "{count} plans from {from_on:%d %b %Y}: {old} → {new} a month",
        count=len(found.changing), from_on=from_on, old=found.old_monthly, new=found.new_monthly,
    )  # fmt: skip
    _note(message("prices changed"), chosen or message("all plans"), told, by, now)
    return change


@transaction.atomic
def undo_prices(change: PriceChange, *, by: Person | None, now: datetime) -> PriceChange:
    """Take a change back while nothing of it has been invoiced; its prices are gone, its row stays."""
    row = PriceChange.objects.select_for_update().get(pk=change.pk)
    if row.taken_back_at is not None:
        return row
    plan_ids = list(row.prices.values_list("plan_id", flat=True))
    _refuse_invoiced(
        plan_ids, month_start(row.from_on), message("Change the prices again from a later day on.")
    )
    row.prices.all().delete()
    told = message("{count} plans from {from_on:%d %b %Y}", count=len(plan_ids), from_on=row.from_on)
    _note(message("change of prices taken back"), row.chosen or message("all plans"), told, by, now)
    return row.void(by=by, now=now)


def _note(what: str, about: object, detail: str, by: Person | None, now: datetime) -> None:
    audit.note(what, area=AuditArea.MONEY, about=about, detail=detail, by=by, now=now)
