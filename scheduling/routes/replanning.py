"""A sick call or urgent work: the absence is written, published days are planned anew, and undone."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Max, Min

from fleet.models import Branch, Person
from scheduling.crew import calendar_entries
from scheduling.models import (
    OrderState,
    ProposalState,
    Replan,
    Route,
    RouteProposal,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.orders import states
from scheduling.orders.states import number_of
from scheduling.planning import solver_process
from scheduling.planning.replan import Replanned
from scheduling.routes import problem, proposals, publishing
from scheduling.routes.problem import BranchProblem
from scheduling.routes.snapshots import effect_of
from scheduling.routes.stored import published_plan
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

MOST_DAYS = 31
CALM_SHARE = 0.4
"""Of the time, for a re-plan in which nobody but the absent loses a visit. Only when that leaves a promise or
due work out, or makes it later, may later work of the others make room."""
URGENT_WEIGHT = 4.0
"""What is called urgent weighs as much as four ordinary orders. Our choice."""


@transaction.atomic
def begin(
    branch: Branch,
    *,
    technician: Technician | None = None,
    first_on: date | None = None,
    last_on: date | None = None,
    reason: str = "",
    urgent: Sequence[WorkOrder] = (),
    seconds: float = 10,
    by: Person | None,
    now: datetime,
) -> Replan:
    """Write the absence down and ask for a re-plan of the days that are published from today on.

    ``work_out`` does the work. Raises DomainError for days gone by or out of order, somebody of another
    branch,
    an absence known already, or when nothing is published that could be planned anew.
    """
    today = local_day(now, branch.time_zone)
    absence = None
    if technician is not None:
        if technician.branch_id != branch.pk:
            raise DomainError(
                message("{name} works for another branch.", name=technician.name),
                remedy=message("Choose that branch."),
                field="technician",
            )
        absence = calendar_entries.add_absence(
            technician, first_on=first_on, last_on=last_on, reason=reason, today=today, by=by, now=now
        )
    in_force = StopOrder.objects.filter(
        is_in_force=True, stop__route__technician__branch=branch, stop__route__day__gte=today
    )
    plans = RouteProposal.objects.filter(pk__in=in_force.values("stop__route__proposal"))
    span = plans.aggregate(first=Min("first_on"), last=Max("last_on"))
    if span["first"] is None:
        raise DomainError(
            message("Nothing is published from today on, so there is nothing to re-plan."),
            remedy=message("Enter the absence and ask for a plan."),
        )
    for order in urgent:
        if order.state != OrderState.OPEN or order.site.branch_id != branch.pk:
            raise DomainError(
                message("{order} is not open work of {name}.", order=order, name=branch.name),
                remedy=message("Name open orders only."),
                field="urgent",
            )
    first = max(today, span["first"])
    last = min(span["last"], first + timedelta(days=MOST_DAYS - 1))
    row = RouteProposal.objects.create(
        branch=branch, first_on=first, last_on=last, made_at=now, made_by=by, seconds=seconds
    )
    return Replan.objects.create(
        proposal=row,
        technician=technician,
        absence=absence,
        first_on=first_on if technician else None,
        last_on=last_on if technician else None,
        urgent=[order.pk for order in urgent],
        was_in_force=list(in_force.filter(stop__route__day__lte=last).values_list("pk", flat=True)),
        made_at=now,
        made_by=by,
    )


def work_out(replan_id: int, *, now: datetime, max_iterations: int | None = None) -> Replan:
    """Plan what ``begin`` asked for. One that is worked out already is left as it is."""
    asked = Replan.objects.select_related("proposal__branch").get(pk=replan_id)
    row = asked.proposal
    if row.state != ProposalState.RUNNING:
        return asked
    try:
        _plan(asked, now, max_iterations)
    except Exception as error:
        proposals.fail(row, error)
        raise
    asked.refresh_from_db()
    return asked


@transaction.atomic
def undo(asked: Replan, *, by: Person | None, now: datetime) -> Replan:
    """Take a re-plan back: the absence is gone, and what was in force before is in force again.

    Raises DomainError when it is undone already, once one of its stops is finished, or when another plan has
    been published over its days since.
    """
    asked = Replan.objects.select_for_update().get(pk=asked.pk)
    if asked.undone_at is not None:
        raise DomainError(
            message("This re-plan is undone already."), remedy=message("There is nothing to take back.")
        )
    row = asked.proposal
    if row.state == ProposalState.PUBLISHED:
        if row.routes.filter(is_in_force=False).exists():
            raise DomainError(
                message("Another plan has been published over these days since."),
                remedy=message("Take that plan back first."),
            )
        row = publishing.unpublish(row, by=by, now=now)
        _back_in_force(asked, by, now)
    if row.state != ProposalState.SET_ASIDE:
        proposals.set_aside(row)
    if asked.absence is not None:
        asked.absence.delete()
    asked.absence, asked.undone_at, asked.undone_by = None, now, by
    asked.save(update_fields=["absence", "undone_at", "undone_by"])
    return asked


def orders_named(text: str, branch_id: int | None) -> list[WorkOrder]:
    """Return the orders named in a text such as "W000012, 13".

    Raises DomainError naming one that is unknown.
    """
    rows = WorkOrder.objects.select_related("site")
    rows = rows.filter(site__branch_id=branch_id) if branch_id else rows
    found = []
    for word in text.replace(",", " ").split():
        digits = word.upper().removeprefix("W")
        is_number = digits.isascii() and digits.isdigit() and len(digits) < 10
        order = rows.filter(pk=int(digits)).first() if is_number else None
        if order is None:
            raise DomainError(
                message("There is no order {word}.", word=word),
                remedy=message("Give numbers such as W000012."),
                field="urgent",
            )
        found.append(order)
    return found


def _plan(asked: Replan, now: datetime, max_iterations: int | None) -> None:
    row = asked.proposal
    days = (row.last_on - row.first_on).days + 1
    built = _with_urgent(problem.build(row.branch, row.first_on, days, now), asked.urgent)
    links = (
        StopOrder.objects.filter(pk__in=asked.was_in_force, is_in_force=True)
        .select_related("stop__route__technician", "stop__site")
        .order_by("stop__route__day", "stop__route_id", "stop__place", "pk")
    )
    watch = proposals.Watch(row, None)
    today = local_day(now, row.branch.time_zone)
    published = published_plan(built, links)
    found: Replanned | None = None
    for share, frozen_until in ((CALM_SHARE, row.last_on), (1 - CALM_SHARE, today)):
        watch.next_stretch(share)
        limits = solver_process.Limits(max(1.0, row.seconds * share), max_iterations=max_iterations)
        tried = solver_process.replan_in_process(
            built.problem, published, limits, seed=row.seed, frozen_until=frozen_until,
            on_progress=watch.progress, should_stop=watch.should_stop,
        )  # fmt: skip
        if found is None or _trouble(tried) < _trouble(found):
            found = tried
        if not any(_trouble(found)):
            break
    assert found is not None
    with transaction.atomic():
        if proposals.keep(row, [built], [found.proposal]):
            asked.effect = effect_of(found.comparison, built.order_of, built.technician_of, is_priced=False)
            asked.lost = [vars(refusal) for refusal in found.lost]
            asked.save(update_fields=["effect", "lost"])


def _trouble(found: Replanned) -> tuple[int, int, int]:
    """Return what is wrong with a re-plan: promises lost or moved, due work left out, days it is later."""
    totals = found.proposal.totals
    promises = len(found.lost) + found.comparison.promises_moved
    return promises, totals.unplaced_due, max(0, -found.comparison.late_days_saved)


def _with_urgent(built: BranchProblem, urgent: Iterable[int]) -> BranchProblem:
    """Return the problem in which what is called urgent counts as due inside these days and weighs more."""
    ids = {number_of(pk) for pk in urgent}
    last = built.problem.days[-1]
    jobs = tuple(
        replace(
            job,
            risk_weight=job.risk_weight * URGENT_WEIGHT,
            last_day=max(job.first_day, min(job.last_day, last)),
        )
        if job.id in ids
        else job
        for job in built.problem.jobs
    )
    return replace(built, problem=replace(built.problem, jobs=jobs))


def _back_in_force(asked: Replan, by: Person | None, now: datetime) -> None:
    """Put what was in force before back, except what is done or withdrawn by now."""
    links = StopOrder.objects.filter(pk__in=asked.was_in_force, is_in_force=False)
    ids = list(links.values_list("order_id", flat=True))
    open_ids = list(
        WorkOrder.objects.select_for_update()
        .filter(pk__in=ids, state=OrderState.OPEN)
        .values_list("pk", flat=True)
    )
    elsewhere = StopOrder.objects.filter(order_id__in=ids, is_in_force=True).select_related("order").first()
    if elsewhere is not None:
        raise DomainError(
            message("{order} stands on another published plan by now.", order=elsewhere.order),
            remedy=message("Take that plan back first."),
        )
    idle = Route.objects.filter(stops__orders__in=links, is_in_force=False)
    old = list(idle.select_related("technician").distinct())
    for route in old:
        if Route.objects.filter(technician=route.technician, day=route.day, is_in_force=True).exists():
            raise DomainError(
                message(
                    "{name} has another published route on {day:%d %b} by now.",
                    name=route.technician.name,
                    day=route.day,
                ),
                remedy=message("Take that plan back first."),
            )
    Route.objects.filter(pk__in=[route.pk for route in old]).update(is_in_force=True)
    WorkOrder.objects.filter(pk__in=open_ids).update(state=OrderState.ON_ROUTE, changed_at=now)
    StopOrder.objects.filter(pk__in=asked.was_in_force, order_id__in=open_ids).update(is_in_force=True)
    told = message("Re-plan {number} was undone.", number=asked.proposal_id)
    states.note_all(open_ids, message("put on a route"), told, at=now, by=by)
