"""What the technician's phone shows of the own day.

How much of the technicians' time the coming days have taken.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from django.db.models import Count, QuerySet

from scheduling.crew.calendar import free_days_of, working_hours
from scheduling.models import OrderState, Route, Technician


def technician_of(person_id: int) -> Technician | None:
    """Return the technician a person is, or None."""
    return Technician.objects.select_related("branch").filter(person_id=person_id).first()


AHEAD_DAYS: Final = 7


@dataclass(frozen=True)
class DayLoad:
    """One day ahead: how much of the technicians' time is taken."""

    day: date
    technicians: int
    stops: int
    work_minutes: int
    drive_minutes: int
    shift_minutes: int
    ends_unplaced: int

    @property
    def share(self) -> float:
        """Taken of the time there is."""
        taken = self.work_minutes + self.drive_minutes
        return taken / self.shift_minutes if self.shift_minutes else 0.0

    @property
    def length(self) -> float:
        """Length of the bar out of 100."""
        return round(100 * min(self.share, 1.0), 1)


def day_loads(orders: QuerySet, today: date, branch_id: int | None) -> list[DayLoad]:
    """Return the days ahead, today first: routes in force against shifts. Few queries."""
    days = [today + timedelta(days=i) for i in range(AHEAD_DAYS)]
    routes = Route.objects.filter(is_in_force=True, day__in=days)
    technicians = Technician.objects.filter(is_active=True)
    if branch_id:
        routes = routes.filter(technician__branch_id=branch_id)
        technicians = technicians.filter(branch_id=branch_id)
    by_day: dict[date, list] = {day: [] for day in days}
    for route in routes.annotate(stops_n=Count("stops")).values_list(
        "day", "stops_n", "work_minutes", "drive_minutes"
    ):
        by_day[route[0]].append(route[1:])
    minutes = _work_minutes(technicians, days)
    ends = dict(
        orders.filter(state=OrderState.OPEN, window_to__in=days)
        .order_by()
        .values_list("window_to")
        .annotate(n=Count("pk"))
    )
    return [
        DayLoad(
            day=day,
            technicians=len(by_day[day]),
            stops=sum(stops for stops, _, _ in by_day[day]),
            work_minutes=sum(work for _, work, _ in by_day[day]),
            drive_minutes=sum(drive for _, _, drive in by_day[day]),
            shift_minutes=minutes[day],
            ends_unplaced=ends.get(day, 0),
        )
        for day in days
    ]


def _work_minutes(technicians: QuerySet, days: list[date]) -> dict[date, int]:
    """Return the minutes there are on each day: shifts less lunch, absences and days off."""
    people = list(technicians.select_related("branch"))
    branches = {one.branch_id: one.branch for one in people}
    total = dict.fromkeys(days, 0)
    for (_, day), hours in working_hours(people, days, free_days_of(branches.values(), days)).items():
        total[day] += hours.work_s // 60
    return total
