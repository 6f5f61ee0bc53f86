"""What a customer is told of a visit: subject, text and calendar entry. No Django."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event, vCalAddress

from scheduling.documents.paper import plain

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
