"""What every page of this room takes from a request: the clock, the branch, the measures, list addresses."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext

from fleet.models import AuditArea, MeasureSystem
from fleet.people import audit
from scheduling.models import Technician
from shared.periods import local_day


@dataclass(frozen=True)
class Paging:
    """Where one is in a list."""

    text: str
    earlier_url: str
    later_url: str


def now_and_today(request: HttpRequest) -> tuple[datetime, date]:
    """Read the clock, once, and the office's own day, whatever clock the person reads."""
    now = timezone.now()
    return now, timezone.localdate(now, timezone.get_default_timezone())


def now_and_day_of(technician: Technician) -> tuple[datetime, date]:
    """Read the clock, once, and the day it is where a technician works."""
    now = timezone.now()
    return now, local_day(now, technician.branch.time_zone)


def branch_of(request: HttpRequest) -> int | None:
    """Return the only branch this person sees, or None for all."""
    return request.user.branch_id


def of_own_branch(request: HttpRequest, rows: QuerySet, branch: str = "branch_id") -> QuerySet:
    """Return the rows of the only branch this person sees, or all; ``branch``: where they name it."""
    return rows.filter(**{branch: branch_of(request)}) if branch_of(request) else rows


def is_metric(request: HttpRequest) -> bool:
    """Say which measures this person reads."""
    return request.user.measure_system == MeasureSystem.METRIC


def address_with(request: HttpRequest, **changed: object) -> str:
    """Return this page's address with some of its query changed; None takes a key away."""
    query = request.GET.copy()
    for name, value in changed.items():
        if value is None:
            query.pop(name, None)
        else:
            query[name] = str(value)
    text = query.urlencode()
    return f"{request.path}?{text}" if text else request.path


def paging(
    request: HttpRequest, *, page: int, pages: int, total: int, size: int, what: str, is_more: bool = False
) -> Paging:
    """Return the addresses of the pages before and after. ``is_more``: counting stopped at the total."""
    first, last = (page - 1) * size + 1, min(page * size, total)
    template = gettext("%(first)s–%(last)s of %(total)s %(what)s")
    if is_more:
        template = gettext(
            "%(first)s–%(last)s of more than %(total)s %(what)s; narrow the list to see others"
        )
    text = (
        template % {"first": f"{first:,}", "last": f"{last:,}", "total": f"{total:,}", "what": what}
        if total
        else gettext("No %(what)s") % {"what": what}
    )
    return Paging(
        text=text,
        earlier_url=address_with(request, page=page - 1) if page > 1 else "",
        later_url=address_with(request, page=page + 1) if page < pages else "",
    )


def page_of(
    request: HttpRequest, rows: Sequence | QuerySet, *, what: str, size: int, total: int | None = None
) -> tuple[Sequence | QuerySet, Paging]:
    """Return the rows of the page asked for and where it is. ``total``: how many rows there are, if known."""
    total = len(rows) if total is None else total
    pages = max(1, -(-total // size))
    page = min(max(page_number(request), 1), pages)
    shown = rows[(page - 1) * size : page * size]
    return shown, paging(request, page=page, pages=pages, total=total, size=size, what=what)


def page_number(request: HttpRequest) -> int:
    """Return the page asked for; nonsense is page one."""
    text = request.GET.get("page", "1")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 8 else 1


def note_change(request: HttpRequest, what: str, area: AuditArea, about: object, detail: str = "") -> None:
    """Write an entry of the audit trail, for a change whose own table keeps no history."""
    audit.note(what, area=area, about=about, detail=detail, by=request.user, now=timezone.now())
