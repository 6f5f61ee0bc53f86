"""What the technician's phone shows of the own day.

How much of the technicians' time the coming days have taken.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from django.db.models import Count, QuerySet

from scheduling.models import OrderState, Route, Shift, Technician


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
    """Return the days ahead, today first: routes in force against shifts. Five queries."""
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
    minutes = _shift_minutes(technicians, days)
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


def _shift_minutes(technicians: QuerySet, days: list[date]) -> dict[date, int]:
    """Return the minutes there are on each day: shifts less lunch, absences left out."""
    shifts = Shift.objects.filter(technician__in=technicians)
    away: dict[int, list[tuple[date, date]]] = {}
    for technician_id, first_on, last_on in technicians.filter(
        absences__first_on__lte=days[-1], absences__last_on__gte=days[0]
    ).values_list("id", "absences__first_on", "absences__last_on"):
        away.setdefault(technician_id, []).append((first_on, last_on))
    total = dict.fromkeys(days, 0)
    for technician_id, weekday, starts, ends, lunch in shifts.values_list(
        "technician_id", "weekday", "starts_at", "ends_at", "lunch_minutes"
    ):
        length = (ends.hour - starts.hour) * 60 + ends.minute - starts.minute - lunch
        for day in days:
            is_away = any(first <= day <= last for first, last in away.get(technician_id, []))
            if day.weekday() == weekday and not is_away:
                total[day] += length
    return total
