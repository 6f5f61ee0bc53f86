"""The figures are computed as they say: gaps, forced lateness, what a re-plan keeps."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from scheduling.planning.planner import plan_week
from scheduling.planning.problem import AccessHours
from tests.benchmarks.academic import read_vrptw
from tests.benchmarks.route_report import Wanted, measure_routes
from tests.benchmarks.routes import FileFigure, promises_on, unavoidably_late, urgent_orders
from tests.benchmarks.second_solver import second_solver_distance
from tests.benchmarks.synthetic import SIZES, Size, invented_week
from tests.scheduling.planning.small import MONDAY, TUESDAY, order, person, spot, week

FILES = Path(__file__).parents[1] / "data" / "vrptw"


def test_a_gap_is_in_percent_above_the_best_known():
    figure = FileFigure("x", 100, 10.0, best_known=200.0, ours=203.0, bare=None, rival=None)
    assert figure.our_gap == pytest.approx(1.5)
    assert figure.bare_gap is None


def test_the_second_solver_keeps_the_rules_of_the_file_and_never_beats_the_best_known():
    found = second_solver_distance(read_vrptw(FILES / "C101.txt"), 1.0)
    assert found is not None
    assert 827.3 - 1e-6 <= found < 1.3 * 827.3


def test_lateness_is_forced_only_when_no_day_in_time_is_open_with_somebody_suitable():
    closed_monday = AccessHours(by_weekday={0: ()})
    orders = [
        order("forced", spot("a"), last=MONDAY, access=closed_monday),
        order("free", spot("b"), last=TUESDAY, access=closed_monday),
        order("nobody", spot("c"), last=TUESDAY, skills=frozenset({"rare"})),
        order("later", spot("d"), last=MONDAY + timedelta(days=60), access=AccessHours(otherwise=())),
    ]
    assert unavoidably_late(week([person()], orders)) == 2


@pytest.mark.parametrize("name", ["S", "M", "L"])
def test_invented_weeks_have_the_size_they_say(name):
    size = SIZES[name]
    problem = invented_week(size, seed=1)
    assert len(problem.jobs) == size.jobs
    assert len(problem.technicians) == size.technicians
    assert len(problem.days) == size.days
    assert size.technicians * size.days - len(problem.shifts) > 0
    restricted = sum(job.access.otherwise[0][0] > 6 * 3600 for job in problem.jobs) / size.jobs
    assert 0.2 < restricted < 0.5
    assert 0.2 < sum(bool(job.skills) for job in problem.jobs) / size.jobs < 0.4


def test_promises_are_made_only_on_published_visits_and_never_on_the_spared_day():
    problem = invented_week(Size(4, 3, 60), seed=3)
    published = plan_week(problem, seconds=1, seed=1, use_solver=False)
    route = published.routes[0]
    spare = (route.technician_id, route.day)
    rng = np.random.default_rng(0)
    jobs = promises_on(problem, published, spare=spare, share=0.5, rng=rng)
    promised = [job for job in jobs if job.pin is not None]
    assert promised
    for job in promised:
        where, stop = published.where(job.id)
        assert (where.technician_id, where.day) != spare
        assert job.pin.earliest_s <= stop.start_s <= job.pin.latest_s
    assert [replace(job, pin=None) for job in jobs] == list(problem.jobs)
    assert len({one.id for one in urgent_orders(problem, 5, rng)}) == 5


LITTLE = """LITTLE

VEHICLE
NUMBER     CAPACITY
  2         10

CUSTOMER
CUST NO.  XCOORD.   YCOORD.    DEMAND   READY TIME  DUE DATE   SERVICE   TIME
    0      0         0          0          0        100          0
    1      3         4          1          0         90          1
    2      6         8          1          0         90          1
    3      0         5          1          0         90          1
"""


def test_one_run_measures_ours_the_bare_solver_and_a_second_one_on_the_same_file(tmp_path):
    path, told = tmp_path / "LITTLE.txt", []
    path.write_text(LITTLE)
    # By hand: one vehicle, 0-1-2-3-0: 5 + 5 + floor(67.08)/10 + 5.
    path.with_suffix(".sol").write_text("Route #1: 1 2 3\nCost 21.7\n")
    wanted = Wanted(parts=("files",), files=[path], file_seconds=(0.3,))
    (figure,) = measure_routes(wanted, told.append)["files"]
    assert figure["best_known"] == pytest.approx(21.7)
    assert figure["ours"] == figure["bare"] == figure["rival"] == pytest.approx(21.7)
    assert "mean gap in 0.3 s: ours 0.00 %, bare solver 0.00 %" in told[-1]


def test_a_file_whose_best_is_not_known_has_no_gap(tmp_path):
    path, told = tmp_path / "NEW.txt", []
    path.write_text(LITTLE)
    measure_routes(Wanted(parts=("files",), files=[path], file_seconds=(0.2,)), told.append)
    assert "%" not in told[-1]
