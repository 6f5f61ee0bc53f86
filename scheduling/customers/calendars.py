"""Secret addresses for calendar feeds: made, changed, switched off. The secret itself is never kept.

A technician's days as a calendar (RFC 5545) and a route as GPX 1.1. No money, no telephone numbers.
"""

import hashlib
import secrets
import uuid
import xml.etree.ElementTree as ET
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

from django.db import transaction
from django.db.models import Count, Max, Q
from django.utils.translation import gettext
from icalendar import Calendar, Event

from fleet.models import Person
from scheduling.models import CalendarFeed, Route, StopOrder, Technician, WorkOrderEvent
from scheduling.orders.selectors import number_of
from scheduling.routes.selectors import of_branch, route_rows
from shared.translation import written

SECRET_BYTES = 32
TOLD_EVERY = timedelta(minutes=15)
"""How exactly a feed remembers when it was last read."""


@transaction.atomic
def new_secret(technician: Technician, *, by: Person | None, now: datetime) -> str:
    """Return a fresh secret for a technician's feed. The one before, if any, opens nothing from now on.

    It is shown this once; only its hash is kept.
    """
    secret = secrets.token_urlsafe(SECRET_BYTES)
    CalendarFeed.objects.update_or_create(
        technician=technician,
        defaults={"secret_hash": hashed(secret), "made_at": now, "made_by": by, "last_read_at": None},
    )
    return secret


def switch_off(technician: Technician) -> bool:
    """Let no address open this technician's feed. Says whether one did."""
    deleted, _ = CalendarFeed.objects.filter(technician=technician).delete()
    return bool(deleted)


def switch_off_of(person: Person) -> list[str]:
    """Let no address open this person's calendar, nor one they made. Returns whose feeds ended."""
    feeds = CalendarFeed.objects.filter(Q(technician__person=person) | Q(made_by=person))
    names = list(feeds.values_list("technician__name", flat=True))
    feeds.delete()
    return names


def feed_of(secret: str) -> CalendarFeed | None:
    """Return the feed a secret opens, or None. Who no longer works here or may not log in has none."""
    feeds = CalendarFeed.objects.select_related("technician__branch")
    feeds = feeds.exclude(technician__person__is_active=False)
    return feeds.filter(secret_hash=hashed(secret), technician__is_active=True).first()


def note_read(feed: CalendarFeed, now: datetime) -> None:
    """Remember that a feed was read, every quarter of an hour at most."""
    stale = Q(last_read_at__isnull=True) | Q(last_read_at__lt=now - TOLD_EVERY)
    CalendarFeed.objects.filter(stale, pk=feed.pk).update(last_read_at=now)


def hashed(secret: str) -> str:
    """Return what is kept of a secret. 256 random bits need no salt and no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()


DAYS_BACK: Final = 7
DAYS_AHEAD: Final = 62
GPX_SPACE: Final = "http://www.topografix.com/GPX/1/1"


@dataclass(frozen=True)
class FeedRow:
    """One technician's feed as the planner sees it."""

    technician_pk: int
    technician: str
    branch: str
    made_at: datetime | None
    last_read_at: datetime | None
    is_on: bool


def feed_rows(branch_id: int | None) -> list[FeedRow]:
    """Return every working technician with the state of the feed. One query."""
    people = Technician.objects.filter(is_active=True).select_related("branch", "calendar_feed")
    people = people.filter(branch_id=branch_id) if branch_id else people
    return [_feed_row(one) for one in people.order_by("branch__name", "name")]


def calendar(feed: CalendarFeed, company: str, today: date) -> bytes:
    """Return the visits a technician is to make, one event each, in UTC. Three queries.

    UID names the visit's first order and stays over re-planning and over a new address. SEQUENCE counts what
    happened to that order, which only grows (RFC 5545, 3.8.7.4). Without METHOD, DTSTAMP is when the event
    was last changed (3.8.7.2).
    """
    made = Calendar()
    made.add("prodid", "-//Tapward//days of a technician//EN")
    made.add("version", "2.0")
    made.add("x-wr-calname", f"{company}: {feed.technician.name}")
    made.add("refresh-interval", timedelta(hours=1), parameters={"value": "DURATION"})
    visits = _visits(feed.technician_id, today)
    history = _history([orders[0].order_id for orders in visits])
    for orders in visits:
        made.add_component(_event(feed.uid_space, orders, history.get(orders[0].order_id)))
    return made.to_ical()


def own_route(technician_id: int, on: date) -> Route | None:
    """Return a technician's own published route of a day."""
    found = route_rows(Route.objects.filter(is_in_force=True, technician_id=technician_id, day=on))
    return found[0] if found else None


def any_route(pk: int, branch_id: int | None) -> Route | None:
    """Return a route of a branch."""
    found = of_branch(Route.objects.filter(pk=pk), branch_id)
    return found[0] if found else None


def gpx(route: Route) -> bytes:
    """Return a route as GPX 1.1: one route with the start, the stops in order, and the way home."""
    ET.register_namespace("", GPX_SPACE)
    root = ET.Element(_gpx_name("gpx"), {"version": "1.1", "creator": "Tapward"})
    about = ET.SubElement(root, _gpx_name("metadata"))
    ET.SubElement(about, _gpx_name("name")).text = f"{route.technician}, {written(route.day, '%d %b %Y')}"
    ET.SubElement(about, _gpx_name("time")).text = _utc(route.leaves_at)
    line = ET.SubElement(root, _gpx_name("rte"))
    ET.SubElement(line, _gpx_name("name")).text = f"{route.technician}, {written(route.day, '%d %b %Y')}"
    _point(line, *route.start, route.leaves_at, gettext("Start"), "")
    for stop in route.stops.all():
        site = stop.site
        if site.latitude is not None and site.longitude is not None:
            orders = (f"{placed.number} {placed.order.get_kind_display()}" for placed in stop.orders.all())
            name = f"{stop.place}. {site.name}"
            _point(line, site.latitude, site.longitude, stop.arrives_at, name, ", ".join(orders))
    _point(line, *route.start, route.returns_at, gettext("Back"), "")
    return ET.tostring(root, encoding="utf-8", xml_declaration=True)


def _feed_row(one: Technician) -> FeedRow:
    feed = getattr(one, "calendar_feed", None)
    is_on = feed is not None
    return FeedRow(
        technician_pk=one.pk,
        technician=one.name,
        branch=one.branch.name,
        made_at=feed.made_at if is_on else None,
        last_read_at=feed.last_read_at if is_on else None,
        is_on=is_on,
    )


def _visits(technician_id: int, today: date) -> list[list[StopOrder]]:
    """Return the orders of each visit, the lowest number first."""
    links = StopOrder.objects.filter(
        is_in_force=True,
        stop__route__is_in_force=True,
        stop__route__technician=technician_id,
        stop__route__day__range=(today - timedelta(days=DAYS_BACK), today + timedelta(days=DAYS_AHEAD)),
    )
    by_stop: dict[int, list[StopOrder]] = defaultdict(list)
    read = links.select_related("stop__site", "stop__route__proposal", "order__treatment_unit")
    for link in read.order_by("stop__starts_at", "stop_id", "order_id"):
        by_stop[link.stop_id].append(link)
    return list(by_stop.values())


def _history(order_ids: list[int]) -> dict[int, tuple[int, datetime]]:
    """Return how often something happened to each order, and when last."""
    rows = WorkOrderEvent.objects.filter(order_id__in=order_ids).values("order_id")
    counted = rows.annotate(times=Count("id"), last=Max("at")).order_by()
    return {row["order_id"]: (row["times"], row["last"]) for row in counted}


def _event(space: uuid.UUID, orders: list[StopOrder], history: tuple[int, datetime] | None) -> Event:
    stop, first = orders[0].stop, orders[0]
    published = stop.route.proposal.published_at or stop.route.proposal.made_at
    times, last = history or (0, published)
    what = sorted({link.order.get_kind_display() for link in orders})
    made = Event()
    made.add("uid", str(uuid.uuid5(space, f"order-{first.order_id}")))
    made.add("sequence", times)
    made.add("dtstamp", max(last, published).astimezone(UTC))
    made.add("dtstart", stop.starts_at.astimezone(UTC))
    made.add("dtend", stop.leaves_at.astimezone(UTC))
    made.add("summary", f"{stop.site.name}: {', '.join(what).lower()}")
    made.add("location", stop.site.address)
    if stop.site.latitude is not None and stop.site.longitude is not None:
        made.add("geo", (stop.site.latitude, stop.site.longitude))
    made.add("status", "CONFIRMED")
    made.add("description", "\n".join(_line(link) for link in orders))
    return made


def _line(link: StopOrder) -> str:
    order = link.order
    what = f"{number_of(order.pk)} {order.get_kind_display()}"
    return gettext("%(what)s, %(serial)s, %(minutes)s min") % {
        "what": what,
        "serial": order.treatment_unit.serial,
        "minutes": order.minutes,
    }


def _point(line: ET.Element, latitude: float, longitude: float, at: datetime, name: str, told: str) -> None:
    where = {"lat": f"{latitude:.6f}", "lon": f"{longitude:.6f}"}
    point = ET.SubElement(line, _gpx_name("rtept"), where)
    ET.SubElement(point, _gpx_name("time")).text = _utc(at)
    ET.SubElement(point, _gpx_name("name")).text = name
    if told:
        ET.SubElement(point, _gpx_name("desc")).text = told


def _gpx_name(tag: str) -> str:
    return f"{{{GPX_SPACE}}}{tag}"


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
