"""The whole line once, from readings to revenue, for those who run no timetable."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from fleet.models import AssessmentRun
from fleet.services import assessment, day_readings
from scheduling.services import month_end, revenue, routes, work_orders
from shared.periods import local_day


@dataclass(frozen=True)
class Upkeep:
    """What came of each stage."""

    run: AssessmentRun
    raised: work_orders.RaiseReport
    earned: revenue.RevenueReport


def bring_up_to_date(
    *,
    now: datetime,
    zone: str,
    shard_size: int,
    on_progress: Callable[[int, int], None] | None = None,
    on_stage: Callable[[str], None] | None = None,
) -> Upkeep:
    """Assess the fleet, open what past routes missed, raise work, raise prices that are due, enter revenue.

    Each stage may be repeated: a second call with nothing new changes nothing. ``on_stage`` is told
    what comes next; what it raises ends the line there, with whole stages done.
    """
    tell = on_stage or (lambda words: None)
    run = assessment.assess_fleet(now, shard_size, on_progress)
    tell("opening what past routes missed, and raising work")
    routes.release_missed(now=now)
    raised = work_orders.raise_work(now=now)
    tell("entering what was earned")
    month_end.raise_prices(today=local_day(now, zone))
    earned = revenue.enter_revenue(through=local_day(now, zone), now=now)
    day_readings.roll_up_fleet(now, shard_size)
    return Upkeep(run, raised, earned)
