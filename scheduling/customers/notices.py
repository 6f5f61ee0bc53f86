"""What a customer is told of a visit: subject, text and calendar entry. No Django.

Writes down what customers are to be told, by comparing published routes with what they were told last.

Nothing here sends anything; ``notice_sending`` does. Routes know nothing of notices.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from icalendar import Calendar, Event, vCalAddress

from fleet.models import Site
from scheduling.documents.paper import plain
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    Notice,
    NoticeKind,
    NoticeState,
    OrderState,
    Stop,
    ToldVisit,
    VisitState,
    WorkOrder,
)
from scheduling.routes.promises import promised_span

SPAN_HOURS = 2
STEP_MINUTES = 30
WORDS = {
    "booked": ("Visit booked", "we will come to service your water treatment"),
    "moved": ("Visit moved", "our visit has a new time"),
    "cancelled": ("Visit cancelled", "our visit will not take place"),
}


@dataclass(frozen=True)
class VisitFacts:
    """One visit as told. Moments are aware."""

    uid: UUID
    sequence: int
    company: str
    company_email: str
    customer: str
    site: str
    address: str
    time_zone: str
    arrives_from: datetime
    arrives_until: datetime
    minutes: int
    technician: str


def told_span(starts_at: datetime, time_zone: str) -> tuple[datetime, datetime]:
    """Return the span told for arrival: from the half hour before on the site's clock, two hours long."""
    local = starts_at.astimezone(ZoneInfo(time_zone))
    begins = starts_at - timedelta(
        minutes=local.minute % STEP_MINUTES, seconds=local.second, microseconds=local.microsecond
    )
    return begins, begins + timedelta(hours=SPAN_HOURS)


def when(facts: VisitFacts) -> str:
    """Return day and span on the site's own clock, e.g. Tuesday 3 Nov 2026, between 9:00 and 11:00."""
    zone = ZoneInfo(facts.time_zone)
    begin, end = facts.arrives_from.astimezone(zone), facts.arrives_until.astimezone(zone)
    return f"{begin:%A} {begin.day} {begin:%b %Y}, between {begin.hour}:{begin:%M} and {end.hour}:{end:%M}"


def subject(kind: str, facts: VisitFacts) -> str:
    """Return the subject, one line whatever the site is called."""
    text = f"{WORDS[kind][0]}: {when(facts)}, {facts.site}"
    return " ".join(plain(text).split())[:200]


def body(kind: str, facts: VisitFacts) -> str:
    """Return the text."""
    lines = [f"To {facts.customer}:", "", f"{facts.company}: {WORDS[kind][1]}.", ""]
    lines += [f"Where: {facts.site}" + (f", {facts.address}" if facts.address else "")]
    if kind == "cancelled":
        lines += [f"It was to be on {when(facts)}.", "", "We will tell you when a new time is set."]
    else:
        lines += [
            f"When:  {when(facts)}",
            f"Who:   {facts.technician}, for about {facts.minutes} minutes",
            "",
            "Please keep the way to the unit free. The water it makes is off during the work. Do not draw",
            "any until the technician says so; after some work that is only the next day, and a tag on the",
            "unit says so. Please leave covers, valves and plugs to the technician.",
        ]
    lines += ["", f"Does this not suit you? Write to {facts.company_email}.", "", facts.company]
    return "\n".join(plain(line) for line in lines)


def calendar(kind: str, facts: VisitFacts, made_at: datetime) -> str:
    """Return the calendar entry (RFC 5545), to be published or cancelled (RFC 5546, 3.2.1 and 3.2.5)."""
    is_cancelled = kind == "cancelled"
    event = Event()
    event.add("uid", str(facts.uid))
    event.add("sequence", facts.sequence)
    event.add("dtstamp", _utc(made_at))
    event.add("dtstart", _utc(facts.arrives_from))
    event.add("dtend", _utc(facts.arrives_until))
    event.add("summary", plain(f"{facts.company}: water treatment service"))
    event.add("location", plain(", ".join(text for text in (facts.site, facts.address) if text)))
    event.add("description", body(kind, facts))
    event.add("status", "CANCELLED" if is_cancelled else "CONFIRMED")
    event.add("transp", "TRANSPARENT")
    event.add("organizer", vCalAddress(f"mailto:{facts.company_email}"))
    whole = Calendar()
    whole.add("prodid", "-//Tapward//Visits//EN")
    whole.add("version", "2.0")
    whole.add("method", "CANCEL" if is_cancelled else "PUBLISH")
    whole.add_component(event)
    return whole.to_ical().decode()


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(ZoneInfo("UTC")).replace(microsecond=0)


TOLD_STATES = [NoticeState.SENT, NoticeState.CLAIMED]


@dataclass(frozen=True)
class NoticeSettings:
    """How long a change settles before it is told, and the hours in which nobody is written to."""

    settle: timedelta
    quiet_from_hour: int
    quiet_until_hour: int

    @classmethod
    def ours(cls) -> "NoticeSettings":
        """Return the company's own."""
        return cls(
            timedelta(minutes=settings.NOTICE_SETTLE_MINUTES),
            settings.NOTICE_QUIET_FROM_HOUR,
            settings.NOTICE_QUIET_UNTIL_HOUR,
        )


@dataclass(frozen=True)
class Change:
    """One thing a customer does not know: a stop without a visit, a visit elsewhere, one that fell."""

    stop: Stop | None
    visit: ToldVisit | None


@dataclass(frozen=True)
class SitePlan:
    """What stands for one site: stops to come with the orders there, and visits told."""

    stops: list[Stop] = field(default_factory=list)
    visits: list[ToldVisit] = field(default_factory=list)


def write_notices(*, now: datetime, rules: NoticeSettings) -> int:
    """Write down every notice that is wanted now. Returns how many. May run twice, also at once."""
    _close_past_visits(now)
    written = 0
    for site_id, plan in _plans(now, None).items():
        if differences(plan):
            written += _tell_site(site_id, now, rules)
    return written


def differences(plan: SitePlan) -> list[Change]:
    """Return what is new, moved or gone for one site.

    A visit is known again by its stop, else by the orders it shares, else by its day.
    """
    by_stop = {visit.stop_id: visit for visit in plan.visits if visit.stop_id}
    pairs = {stop.pk: by_stop[stop.pk] for stop in plan.stops if stop.pk in by_stop}
    free = [visit for visit in plan.visits if visit not in pairs.values()]
    for knows in (_shared_orders, _same_day):
        for stop in plan.stops:
            known = [visit for visit in free if knows(stop, visit)] if stop.pk not in pairs else []
            if known:
                pairs[stop.pk] = max(known, key=lambda visit: knows(stop, visit))
                free.remove(pairs[stop.pk])
    found = [Change(stop, pairs.get(stop.pk)) for stop in plan.stops]
    return [*(one for one in found if not _is_known(one)), *(Change(None, visit) for visit in free)]


def send_at(now: datetime, visit_at: datetime, time_zone: str, rules: NoticeSettings) -> datetime:
    """Return when to send: after the change has settled, outside the quiet hours of the site's own clock.

    What would come too late for the visit goes at once.
    """
    settled = now + rules.settle
    local = settled.astimezone(ZoneInfo(time_zone))
    begin, end = rules.quiet_from_hour, rules.quiet_until_hour
    is_quiet = begin <= local.hour or local.hour < end if begin > end else begin <= local.hour < end
    if is_quiet:
        day = local.date() + timedelta(days=1 if local.hour >= end else 0)
        settled = datetime.combine(day, time(end), tzinfo=ZoneInfo(time_zone))
    return now if visit_at <= settled + timedelta(hours=1) else settled


@transaction.atomic
def _tell_site(site_id: int, now: datetime, rules: NoticeSettings) -> int:
    """Look again with the site locked, so that two runs write nothing twice."""
    site = Site.objects.select_for_update(of=("self",)).select_related("customer").get(pk=site_id)
    plan = _plans(now, site_id).get(site_id, SitePlan())
    return sum(_tell(change, site, now, rules) for change in differences(plan))


def _tell(change: Change, site: Site, now: datetime, rules: NoticeSettings) -> int:
    if change.stop is None:
        return _cancel(change.visit, site, now, rules)
    if change.visit is None:
        visit = _fill(ToldVisit(site=site), change.stop, site)
        return _write(visit, NoticeKind.BOOKED, site, now, rules, visit.arrives_from)
    visit = change.visit
    if not _is_elsewhere(change.stop, visit):
        visit.stop, visit.order_ids = change.stop, _order_ids(change.stop)
        visit.save(update_fields=["stop", "order_ids"])
        return 0
    soonest = min(visit.arrives_from, change.stop.starts_at)
    was_told = _overtake(visit)
    _fill(visit, change.stop, site)
    kind = NoticeKind.MOVED if was_told else NoticeKind.BOOKED
    return _write(visit, kind, site, now, rules, soonest)


def _cancel(visit: ToldVisit, site: Site, now: datetime, rules: NoticeSettings) -> int:
    was_told = _overtake(visit)
    visit.state = VisitState.CANCELLED
    visit.sequence += 1
    visit.save(update_fields=["state", "sequence"])
    if not was_told:
        return 0
    return _write(visit, NoticeKind.CANCELLED, site, now, rules, visit.arrives_from)


def _overtake(visit: ToldVisit) -> bool:
    """Stop what was not sent yet, and say whether the customer knows of the visit at all."""
    visit.notices.filter(state=NoticeState.WAITING).update(state=NoticeState.OVERTAKEN)
    last = visit.notices.filter(state__in=TOLD_STATES).first()
    return last is not None and last.kind != NoticeKind.CANCELLED


def _fill(visit: ToldVisit, stop: Stop, site: Site) -> ToldVisit:
    """Write a stop into a visit, counting its sequence up when it was there before."""
    if visit.pk:
        visit.sequence += 1
    visit.stop = stop
    visit.order_ids = _order_ids(stop)
    visit.arrives_from, visit.arrives_until = promised_span(stop) or told_span(stop.starts_at, site.time_zone)
    visit.minutes = max(1, round((stop.leaves_at - stop.starts_at).total_seconds() / 60))
    visit.technician = stop.route.technician.name
    visit.save()
    return visit


def _write(
    visit: ToldVisit, kind: str, site: Site, now: datetime, rules: NoticeSettings, soonest: datetime
) -> int:
    customer = site.customer
    facts = VisitFacts(
        uid=visit.uid,
        sequence=visit.sequence,
        company=settings.COMPANY_NAME,
        company_email=settings.DEFAULT_FROM_EMAIL,
        customer=customer.name,
        site=site.name,
        address=site.address,
        time_zone=site.time_zone,
        arrives_from=visit.arrives_from,
        arrives_until=visit.arrives_until,
        minutes=visit.minutes,
        technician=visit.technician,
    )
    is_wanted = customer.wants_notices and bool(customer.email)
    Notice.objects.create(
        cause_key=f"visit:{visit.uid}:{visit.sequence}",
        visit=visit,
        customer=customer,
        kind=kind,
        state=NoticeState.WAITING if is_wanted else NoticeState.NOT_WANTED,
        to_email=customer.email,
        subject=subject(kind, facts),
        body=body(kind, facts),
        calendar=calendar(kind, facts, now),
        made_at=now,
        next_try_at=send_at(now, soonest, site.time_zone, rules),
    )
    return int(is_wanted)


def _plans(now: datetime, site_id: int | None) -> dict[int, SitePlan]:
    """Return stops to come and visits told, by site. A stop where somebody was is no longer to come."""
    visited = CloseOut.objects.filter(stop__isnull=False, undone_at__isnull=True).values("stop_id")
    stops = (
        Stop.objects.filter(
            route__is_in_force=True,
            starts_at__gt=now,
            orders__is_in_force=True,
            orders__order__state__in=STANDING_STATES,
        )
        .exclude(pk__in=visited)
        .select_related("route__technician", "site")
        .prefetch_related("orders__order")
        .order_by("starts_at", "pk")
        .distinct()
    )
    visits = ToldVisit.objects.filter(state=VisitState.STANDING)
    if site_id is not None:
        stops, visits = stops.filter(site_id=site_id), visits.filter(site_id=site_id)
    plans: dict[int, SitePlan] = defaultdict(SitePlan)
    for stop in stops:
        plans[stop.site_id].stops.append(stop)
    for visit in visits:
        plans[visit.site_id].visits.append(visit)
    return plans


def _close_past_visits(now: datetime) -> None:
    """Let visits rest whose time is over, where somebody was, or whose work is all done."""
    standing = ToldVisit.objects.filter(state=VisitState.STANDING)
    standing.filter(arrives_until__lte=now).update(state=VisitState.OVER)
    left = list(standing)
    visited = set(
        CloseOut.objects.filter(
            stop_id__in=[one.stop_id for one in left], undone_at__isnull=True
        ).values_list("stop_id", flat=True)
    )
    ids = {order_id for one in left for order_id in one.order_ids}
    done = set(WorkOrder.objects.filter(pk__in=ids, state=OrderState.DONE).values_list("pk", flat=True))
    over = [
        one.pk for one in left if one.stop_id in visited or (one.order_ids and set(one.order_ids) <= done)
    ]
    ToldVisit.objects.filter(pk__in=over).update(state=VisitState.OVER)


def _order_ids(stop: Stop) -> list[int]:
    return sorted(one.order_id for one in stop.orders.all())


def _shared_orders(stop: Stop, visit: ToldVisit) -> int:
    return len(set(_order_ids(stop)) & set(visit.order_ids))


def _same_day(stop: Stop, visit: ToldVisit) -> int:
    return int(abs(stop.starts_at - visit.arrives_from) < timedelta(hours=12))


def _is_known(change: Change) -> bool:
    visit, stop = change.visit, change.stop
    if visit is None or stop is None:
        return False
    return visit.stop_id == stop.pk and visit.order_ids == _order_ids(stop) and not _is_elsewhere(stop, visit)


def _is_elsewhere(stop: Stop, visit: ToldVisit) -> bool:
    """Say whether the stop no longer begins within the span that was told, or other hours were promised."""
    if promised := promised_span(stop):
        return promised != (visit.arrives_from, visit.arrives_until)
    return not visit.arrives_from <= stop.starts_at < visit.arrives_until
