"""Proposes routes from open orders."""

import time
from collections.abc import Callable
from datetime import date, datetime, timedelta

from django.db import transaction

from fleet.models import Branch, Person
from scheduling.models import ProposalState, RouteProposal
from scheduling.planning import solver_process
from scheduling.planning.proposal import Proposal, Refusal
from scheduling.planning.solver_process import SearchLost
from scheduling.planning.travel import TravelSource
from scheduling.routes import problem, stored
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

OnProgress = Callable[[float, str], None]
MOST_DAYS = 31
LOST_AFTER_S = 2 * 3600
"""A proposal still running so long after its own time is lost: the queue forgot it. Our choice. [s]"""
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
    """Work a proposal out here and now. Raises DomainError for days in the past or nobody to plan for."""
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
    row = RouteProposal(branch=branch, first_on=first_on, made_at=now, made_by=by, seed=seed, seconds=seconds)
    branches = stored.branches_of(row)
    if not branches:
        raise DomainError(
            message("There is no branch to plan for."),
            remedy=message("Add a branch with its technicians first."),
        )
    today = min(local_day(now, one.time_zone) for one in branches)
    if first_on < today:
        raise DomainError(
            message("{first_on:%d %b %Y} has passed.", first_on=first_on),
            remedy=message("Plan from today or a later day."),
            field="first_on",
        )
    if not 1 <= days <= MOST_DAYS:
        raise DomainError(
            message("{days} days can't be planned.", days=days),
            remedy=message("Plan 1 to {most_days} days at once.", most_days=MOST_DAYS),
            field="days",
        )
    if not 0 < seconds <= 3600:
        raise DomainError(
            message("{seconds:g} seconds is no time to plan in.", seconds=seconds),
            remedy=message("Give 1 to 3600 seconds."),
            field="seconds",
        )
    row.last_on = first_on + timedelta(days=days - 1)
    row.save()
    return row


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
        fail(row, error)
        raise
    row.refresh_from_db()
    return row


def cancel(proposal: RouteProposal) -> None:
    """Ask a running proposal to stop; it keeps the best plan found so far."""
    RouteProposal.objects.filter(pk=proposal.pk, state=ProposalState.RUNNING).update(wants_stop=True)


@transaction.atomic
def set_aside(proposal: RouteProposal) -> None:
    """Put a proposal away that will not be published. Raises DomainError for a published one."""
    changed = RouteProposal.objects.filter(
        pk=proposal.pk, state__in=[ProposalState.READY, ProposalState.FAILED, ProposalState.RUNNING]
    ).update(state=ProposalState.SET_ASIDE, wants_stop=True)
    if not changed:
        raise DomainError(
            message("Proposal {pk} is published or set aside already.", pk=proposal.pk),
            remedy=message("Take a published plan back first."),
        )


def _plan(
    row: RouteProposal, now: datetime, on_progress: OnProgress | None, max_iterations: int | None
) -> None:
    days = (row.last_on - row.first_on).days + 1
    built = [problem.build(branch, row.first_on, days, now) for branch in stored.branches_of(row)]
    orders = max(1, sum(len(part.order_of) for part in built))
    watch = Watch(row, on_progress)
    plans: list[Proposal] = []
    for part in built:
        share = len(part.order_of) / orders
        watch.next_stretch(share)
        limits = solver_process.Limits(max(1.0, row.seconds * share), max_iterations=max_iterations)
        plans.append(
            solver_process.plan_in_process(
                part.problem, limits, seed=row.seed, on_progress=watch.progress, should_stop=watch.should_stop
            )
        )
    keep(row, built, plans)


@transaction.atomic
def keep(row: RouteProposal, built: list[problem.BranchProblem], plans: list[Proposal]) -> bool:
    """Write each branch's plan and say that it is ready; False where nobody waits for it any more."""
    versions = {name: version for plan in plans for name, version in plan.versions.items()}
    claimed = RouteProposal.objects.filter(pk=row.pk, state=ProposalState.RUNNING).update(
        state=ProposalState.READY,
        progress=1.0,
        progress_text=message("planned"),
        totals=stored.merged_totals(plans),
        problems=problems_of(built, plans),
        solver=", ".join(f"{name} {version}" for name, version in sorted(versions.items()))[:80],
        travel_source=travel_source_of(plans),
        inputs_hash=plans[0].inputs_hash if len(plans) == 1 else "",
    )
    if claimed:
        for part, plan in zip(built, plans, strict=True):
            stored.write(row, part, plan)
    return bool(claimed)


class Watch:
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
            RouteProposal.objects.filter(pk=self.row.pk).update(progress=whole, progress_text=words)

    def should_stop(self) -> bool:
        if time.monotonic() - self.asked_at >= TELL_EVERY_S:
            self.asked_at = time.monotonic()
            wishes = RouteProposal.objects.filter(pk=self.row.pk).values_list("wants_stop", flat=True)
            self.wants_stop = bool(wishes and wishes[0])
        return self.wants_stop


def problems_of(built: list[problem.BranchProblem], plans: list[Proposal]) -> list[dict]:
    """Return every input that could not be planned, each with its remedy."""
    refusals = [refusal for part in built for refusal in part.refusals]
    for plan in plans:
        refusals += plan.refusals
        if plan.travel_note:
            remedy = message("Check the road engine.")
            refusals.append(Refusal(message("travel times"), plan.travel_note, remedy))
    return [vars(refusal) for refusal in refusals]


def travel_source_of(plans: list[Proposal]) -> str:
    """Return where the driving times come from; one branch that fell back marks the whole plan."""
    sources = [plan.travel_source for plan in plans]
    for source in (TravelSource.FELL_BACK, TravelSource.ESTIMATED, TravelSource.ROAD_ENGINE):
        if source in sources:
            return source.value
    return ""


def give_up_lost(*, now: datetime) -> int:
    """Say so of proposals that no worker has brought home long after their time. Returns how many."""
    rows = RouteProposal.objects.filter(
        state=ProposalState.RUNNING, made_at__lt=now - timedelta(seconds=LOST_AFTER_S)
    )
    lost = [row for row in rows if now - row.made_at > timedelta(seconds=row.seconds + LOST_AFTER_S)]
    for row in lost:
        fail(row, SearchLost("no worker brought it home in time"))
    return len(lost)


def fail(row: RouteProposal, error: Exception) -> None:
    """Say in the row why planning failed."""
    text = error.sentence if isinstance(error, DomainError) else str(error)[:2000]
    remedy = message("Propose again; if it happens twice, tell the makers what is written here.")
    RouteProposal.objects.filter(pk=row.pk, state=ProposalState.RUNNING).update(
        state=ProposalState.FAILED,
        progress_text=message("failed: {error}", error=text),
        problems=[vars(Refusal(message("the plan"), text, remedy))],
    )
