"""When sites let us in, by the clock on the branch's wall."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from fleet.models import Branch
from scheduling.models import AccessHours
from scheduling.planning import problem as planning
from scheduling.services.order_states import in_batches


def access_of(site_ids: set[int], branch: Branch, plan_days: list[date]) -> dict[int, planning.AccessHours]:
    """Return the access hours of sites that have any, by the clock on the branch's wall."""
    rows: dict[int, list[AccessHours]] = defaultdict(list)
    for ids in in_batches(sorted(site_ids)):
        found = AccessHours.objects.filter(site_id__in=ids).select_related("site").order_by("opens_at")
        for row in found:
            rows[row.site_id].append(row)
    answer = {}
    for site_id, hours in rows.items():
        by_date: dict[date, list[tuple[int, int]]] = {day: [] for day in plan_days}
        for row in hours:
            for day in plan_days:
                if day.weekday() == row.weekday:
                    by_date[day].append(_on_wall(row, day, branch.time_zone))
        answer[site_id] = planning.AccessHours(
            by_date={day: _merged(windows) for day, windows in by_date.items()}, otherwise=()
        )
    return answer


def _on_wall(row: AccessHours, day: date, zone_name: str) -> tuple[int, int]:
    """Return a site's hours in seconds of the branch's day, within it."""
    shift_s = 0
    if row.site.time_zone != zone_name:
        noon = datetime.combine(day, time(12), tzinfo=ZoneInfo(row.site.time_zone))
        here = noon.astimezone(ZoneInfo(zone_name)).replace(tzinfo=None)
        shift_s = round((here - noon.replace(tzinfo=None)).total_seconds())
    opens, closes = (seconds_of(at) + shift_s for at in (row.opens_at, row.closes_at))
    return max(0, opens), min(planning.DAY_S, closes)


def _merged(windows: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    merged: list[tuple[int, int]] = []
    for opens, closes in sorted(windows):
        if closes <= opens:
            continue
        if merged and opens <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], closes))
        else:
            merged.append((opens, closes))
    return tuple(merged)


def seconds_of(at: time) -> int:
    """Return a wall-clock time as seconds since midnight. [s]"""
    return at.hour * 3600 + at.minute * 60 + at.second
