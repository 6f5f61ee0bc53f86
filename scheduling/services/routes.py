"""Proposes routes from open orders, publishes a proposal in one transaction, and takes it back."""

import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.models import Branch, Person
from scheduling.models import (
    OrderState,
    ProposalState,
    Route,
    RouteProposal,
    StopOrder,
    WorkOrder,
)
from scheduling.planning import planner
from scheduling.planning.proposal import Proposal
from scheduling.services import order_states, route_problem, route_rows
from shared.errors import CannotDo

OnProgress = Callable[[float, str], None]
MOST_DAYS = 31
TELL_EVERY_S = 0.5
"""Progress is written to the database no more often than this. [s]"""


def propose(
    *,
    first_on: date,
    days: int,
    branch: Branch | None = None,
    seconds: float = 20,
    seed: int = 1,
    by: Person | None = None,
    now: datetime,
    on_progress: OnProgress | None = None,
    max_iterations: int | None = None,
) -> RouteProposal:
    """Work a proposal out here and now. Raises CannotDo for days in the past or nobody to plan for."""
    row = start(first_on=first_on, days=days, branch=branch, seconds=seconds, seed=seed, by=by, now=now)
    return work_out(row.pk, now=now, on_progress=on_progress, max_iterations=max_iterations)


def start(
    *,
    first_on: date,
    days: int,
    branch: Branch | None = None,
    seconds: float = 20,
    seed: int = 1,
    by: Person | None = None,
    now: datetime,
) -> RouteProposal:
    """Write down that a proposal is wanted; ``work_out`` does the work, here or in a worker."""
    branches = _branches(branch)
    if not branches:
        raise CannotDo("There is no branch to plan for.", remedy="Add a branch with its technicians first.")
    today = min(now.astimezone(ZoneInfo(one.time_zone)).date() for one in branches)
    if first_on < today:
        raise CannotDo(
            f"{first_on:%d %b %Y} has passed.", remedy="Plan from today or a later day.", field="first_on"
        )
    if not 1 <= days <= MOST_DAYS:
        raise CannotDo(
            f"{days} days can't be planned.", remedy=f"Plan 1 to {MOST_DAYS} days at once.", field="days"
        )
    if not 0 < seconds <= 3600:
        raise CannotDo(
            f"{seconds:g} seconds is no time to plan in.", remedy="Give 1 to 3600 seconds.", field="seconds"
        )
    return RouteProposal.objects.create(
        branch=branch,
        first_on=first_on,
        last_on=first_on + timedelta(days=days - 1),
        made_at=now,
        made_by=by,
        seed=seed,
        seconds=seconds,
    )


def work_out(
    proposal_id: int,
    *,
    now: datetime,
    on_progress: OnProgress | None = None,
    max_iterations: int | None = None,
) -> RouteProposal:
    """Plan what ``start`` wrote down. A proposal that is worked out already is left as it is."""
    row = RouteProposal.objects.select_related("branch").get(pk=proposal_id)
    if row.state != ProposalState.RUNNING:
        return row
    try:
        _plan(row, now, on_progress, max_iterations)
    except Exception as error:
        _fail(row, error)
        raise
    row.refresh_from_db()
    return row


def cancel(proposal: RouteProposal) -> None:
    """Ask a running proposal to stop; it keeps the best plan found so far."""
    RouteProposal.objects.filter(pk=proposal.pk, state=ProposalState.RUNNING).update(wants_stop=True)


@transaction.atomic
def set_aside(proposal: RouteProposal) -> None:
    """Put a proposal away that will not be published. Raises CannotDo for a published one."""
    changed = RouteProposal.objects.filter(
        pk=proposal.pk, state__in=[ProposalState.READY, ProposalState.FAILED, ProposalState.RUNNING]
    ).update(state=ProposalState.SET_ASIDE, wants_stop=True)
    if not changed:
        raise CannotDo(
            f"Proposal {proposal.pk} is published or set aside already.",
            remedy="Take a published plan back first.",
        )


@transaction.atomic
def publish(proposal: RouteProposal, *, by: Person | None, now: datetime) -> RouteProposal:
    """Put a proposal's routes in force, all or none. Publishing it again changes nothing.

    Routes in force on the same days are set aside and their orders opened, unless they hold finished stops:
    those days stay. Raises CannotDo, naming the order or the day, when the world has moved on since.
    """
    row = RouteProposal.objects.select_for_update().get(pk=proposal.pk)
    if row.state == ProposalState.PUBLISHED:
        return row
    if row.state != ProposalState.READY:
        raise CannotDo(
            f"Proposal {row.pk} is {row.get_state_display().lower()}.",
            remedy="Only a proposal that is ready can be published; propose anew.",
        )
    _set_old_routes_aside(row, by, now)
    release_missed(now=now)
    placed = StopOrder.objects.filter(stop__route__proposal=row)
    _claim(placed, by, now)
    placed.update(is_in_force=True)
    row.routes.update(is_in_force=True)
    row.state, row.published_at = ProposalState.PUBLISHED, now
    row.save(update_fields=["state", "published_at"])
    return row


@transaction.atomic
def unpublish(proposal: RouteProposal, *, by: Person | None, now: datetime) -> RouteProposal:
    """Take a published plan back: its orders are open again. Raises CannotDo once a stop is finished."""
    row = RouteProposal.objects.select_for_update().get(pk=proposal.pk)
    if row.state != ProposalState.PUBLISHED:
        raise CannotDo(f"Proposal {row.pk} is not published.", remedy="There is nothing to take back.")
    done = _with_finished_stops(row.routes.filter(is_in_force=True)).first()
    if done is not None:
        raise CannotDo(
            f"{done.technician.name}'s route of {done.day:%d %b} has finished stops.",
            remedy="Propose and publish the days that are left instead.",
        )
    orders = StopOrder.objects.filter(stop__route__proposal=row, is_in_force=True)
    order_states.release(
        list(orders.values_list("order_id", flat=True)), f"Plan {row.pk} was taken back.", at=now, by=by
    )
    StopOrder.objects.filter(stop__route__proposal=row).update(is_in_force=False)
    row.routes.update(is_in_force=False)
    row.state, row.published_at = ProposalState.READY, None
    row.save(update_fields=["state", "published_at"])
    return row


@transaction.atomic
def release_missed(*, now: datetime) -> int:
    """Open the orders that stand on a route of a day gone by: nobody got there. Returns how many.

    A report that comes in later still closes them.
    """
    links = StopOrder.objects.filter(is_in_force=True, order__state=OrderState.ON_ROUTE)
    ids: list[int] = []
    for branch in Branch.objects.all():
        today = now.astimezone(ZoneInfo(branch.time_zone)).date()
        missed = links.filter(stop__route__technician__branch=branch, stop__route__day__lt=today)
        ids += missed.values_list("order_id", flat=True)
    return order_states.release(ids, "Its day went by without a visit.", at=now)


def _branches(branch: Branch | None) -> list[Branch]:
    if branch is not None:
        return [branch]
    return list(Branch.objects.filter(technicians__is_active=True).distinct().order_by("pk"))


def _plan(
    row: RouteProposal, now: datetime, on_progress: OnProgress | None, max_iterations: int | None
) -> None:
    days = (row.last_on - row.first_on).days + 1
    built = [route_problem.build(branch, row.first_on, days, now) for branch in _branches(row.branch)]
    orders = max(1, sum(len(one.order_of) for one in built))
    watch = _Watch(row, on_progress)
    plans: list[Proposal] = []
    for one in built:
        share = len(one.order_of) / orders
        watch.next_stretch(share)
        plans.append(
            planner.plan_week(
                one.problem,
                seconds=max(1.0, row.seconds * share),
                seed=row.seed,
                max_iterations=max_iterations,
                on_progress=watch.progress,
                should_stop=watch.should_stop,
            )
        )
    with transaction.atomic():
        claimed = RouteProposal.objects.filter(pk=row.pk, state=ProposalState.RUNNING).update(
            state=ProposalState.READY,
            progress=1.0,
            progress_text="planned",
            totals=route_rows.merged_totals(plans),
            problems=_problems(built, plans),
            solver=_solver(plans),
            travel_source=plans[0].travel_source.value if plans else "",
            inputs_hash=plans[0].inputs_hash if len(plans) == 1 else "",
        )
        if claimed:
            for one, plan in zip(built, plans, strict=True):
                route_rows.write(row, one, plan)


class _Watch:
    """Carries progress to the row and the wish to stop back from it."""

    def __init__(self, row: RouteProposal, on_progress: OnProgress | None) -> None:
        self.row, self.on_progress = row, on_progress
        self.done, self.share = 0.0, 0.0
        self.told_at = self.asked_at = 0.0
        self.wants_stop = False

    def next_stretch(self, share: float) -> None:
        self.done, self.share = self.done + self.share, share

    def progress(self, part: float, words: str) -> None:
        whole = min(1.0, self.done + self.share * part)
        if self.on_progress:
            self.on_progress(whole, words)
        if time.monotonic() - self.told_at >= TELL_EVERY_S:
            self.told_at = time.monotonic()
            RouteProposal.objects.filter(pk=self.row.pk).update(progress=whole, progress_text=words[:160])

    def should_stop(self) -> bool:
        if time.monotonic() - self.asked_at >= TELL_EVERY_S:
            self.asked_at = time.monotonic()
            wishes = RouteProposal.objects.filter(pk=self.row.pk).values_list("wants_stop", flat=True)
            self.wants_stop = bool(wishes and wishes[0])
        return self.wants_stop


def _problems(built: list[route_problem.BranchProblem], plans: list[Proposal]) -> list[dict]:
    told = [refusal for one in built for refusal in one.refusals]
    for plan in plans:
        told += [{"what": one.what, "message": one.message, "remedy": one.remedy} for one in plan.refusals]
        if plan.travel_note:
            told.append(
                {"what": "travel times", "message": plan.travel_note, "remedy": "Check the road engine."}
            )
    return told


def _solver(plans: list[Proposal]) -> str:
    versions = {name: version for plan in plans for name, version in plan.versions.items()}
    return ", ".join(f"{name} {version}" for name, version in sorted(versions.items()))[:80]


def _fail(row: RouteProposal, error: Exception) -> None:
    remedy = "Propose again; if it happens twice, tell the makers what is written here."
    RouteProposal.objects.filter(pk=row.pk, state=ProposalState.RUNNING).update(
        state=ProposalState.FAILED,
        progress_text=f"failed: {error}"[:160],
        problems=[{"what": "the plan", "message": str(error)[:2000], "remedy": remedy}],
    )


def _set_old_routes_aside(row: RouteProposal, by: Person | None, now: datetime) -> None:
    old = Route.objects.filter(is_in_force=True, day__range=(row.first_on, row.last_on)).exclude(proposal=row)
    if row.branch_id:
        old = old.filter(technician__branch_id=row.branch_id)
    old_ids = set(old.values_list("pk", flat=True))
    kept = {route.pk: route for route in _with_finished_stops(old)}
    for route in kept.values():
        if row.routes.filter(technician_id=route.technician_id, day=route.day).exists():
            raise CannotDo(
                f"{route.technician.name}'s route of {route.day:%d %b} has had stops finished since this was "
                "proposed.",
                remedy="Propose again; finished stops will be left as they are.",
            )
    gone = sorted(old_ids - set(kept))
    orders = StopOrder.objects.filter(stop__route_id__in=gone, is_in_force=True)
    order_states.release(
        list(orders.values_list("order_id", flat=True)),
        f"Its route was replaced by plan {row.pk}.",
        at=now,
        by=by,
    )
    StopOrder.objects.filter(stop__route_id__in=gone, is_in_force=True).update(is_in_force=False)
    Route.objects.filter(pk__in=gone).update(is_in_force=False)


def _claim(placed: QuerySet[StopOrder], by: Person | None, now: datetime) -> None:
    """Take every placed order from open to on a route, and count. Raises CannotDo naming one not open."""
    wanted = list(placed.values_list("order_id", flat=True))
    claimed = WorkOrder.objects.filter(state=OrderState.OPEN, pk__in=placed.values("order_id")).update(
        state=OrderState.ON_ROUTE, changed_at=now
    )
    if claimed != len(wanted):
        ours = Q(state=OrderState.ON_ROUTE, changed_at=now) & ~Q(stops__is_in_force=True)
        lost = WorkOrder.objects.filter(pk__in=placed.values("order_id")).exclude(ours).first()
        told = f"{lost} is {lost.get_state_display().lower()}" if lost else "An order is no longer open"
        raise CannotDo(
            f"{told} since this was proposed.",
            remedy="Propose again; it takes a minute and knows the change.",
        )
    order_states.note_all(wanted, "put on a route", "", at=now, by=by)


def _with_finished_stops(routes: QuerySet[Route]) -> QuerySet[Route]:
    return (
        routes.filter(stops__orders__is_in_force=True, stops__orders__order__state=OrderState.DONE)
        .select_related("technician")
        .distinct()
    )
