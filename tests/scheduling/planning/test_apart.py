"""A search that never comes home is ended; what it had told, or a plain plan, stands."""

import os
import subprocess
import sys
import time
from multiprocessing.connection import Pipe

import pytest

from scheduling.planning.checker import check
from scheduling.planning.planner import PlanBroken, plan_week
from scheduling.planning.problem import Pin, PinLevel
from scheduling.planning.solver_process import (
    CHILD,
    ENDED,
    ROOT,
    Limits,
    SearchFailed,
    plan_in_process,
    replan_in_process,
)
from tests.scheduling.planning.small import HOUR, MONDAY, order, person, spot, week

READ = (
    "import os, sys, time\nfrom multiprocessing.connection import Connection\n"
    "line = Connection(int(sys.argv[-1]))\nwish = line.recv()\n"
)
HANG = "time.sleep(3600)\n"
SHORT = Limits(0.3, grace_s=0.3)


def child(script):
    return sys.executable, "-c", READ + script


def small_week(**first):
    orders = [
        order("x", spot("east", 20), **first),
        order("y", spot("east", 20)),
        order("z", spot("west", -9)),
    ]
    return week([person("ann"), person("bob")], orders)


def placements(plan):
    return {stop.job_id: (route.technician_id, route.day) for route, stop in plan.placements()}


def test_a_plan_comes_home_from_a_process_of_its_own_and_tells_how_far_it_is():
    problem, told = small_week(), []
    plan = plan_in_process(problem, Limits(1.0), seed=1, on_progress=lambda share, words: told.append(share))
    assert check(problem, plan) == []
    assert set(placements(plan)) == {"x", "y", "z"}
    assert ENDED not in plan.refusals
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_search_that_never_answers_is_ended_and_plain_insertion_plans(tmp_path):
    problem = small_week()
    note = tmp_path / "pid"
    script = f"open({str(note)!r}, 'w').write(str(os.getpid()))\n{HANG}"
    plan = plan_in_process(problem, Limits(3, grace_s=2), seed=1, child=child(script))
    assert ENDED in plan.refusals
    assert check(problem, plan) == []
    assert set(placements(plan)) == {"x", "y", "z"}
    with pytest.raises(ProcessLookupError):
        os.kill(int(note.read_text()), 0)


def test_what_was_told_before_the_end_is_kept_and_explained():
    problem = small_week()
    script = (
        "from scheduling.planning.planner import plan_week\n"
        "from scheduling.planning.replan import take_off\n"
        "plan = plan_week(wish['problem'], seconds=1, seed=1, use_solver=False)\n"
        "plan = take_off(wish['problem'], plan, 'z').proposal\n"
        f"line.send(('plan', plan))\n{HANG}"
    )
    plan = plan_in_process(problem, Limits(10, grace_s=0), seed=1, child=child(script))
    assert ENDED in plan.refusals
    assert [one.job_id for one in plan.unplaced] == ["z"]
    assert plan.unplaced[0].text
    assert all(stop.why for _, stop in plan.placements())


@pytest.mark.parametrize("script", ["os._exit(9)\n", "os.write(line.fileno(), b'not a word of ours')\n"])
def test_a_search_that_dies_or_talks_nonsense_leaves_a_plain_plan(script):
    plan = plan_in_process(small_week(), Limits(600), seed=1, child=child(script))
    assert ENDED in plan.refusals
    assert set(placements(plan)) == {"x", "y", "z"}


def test_a_wish_to_stop_brings_the_best_so_far_home_long_before_the_time_is_over():
    problem, seen = small_week(), []
    plan = plan_in_process(
        problem, Limits(3600), seed=1, on_progress=lambda *told: seen.append(told),
        should_stop=lambda: bool(seen),
    )  # fmt: skip
    assert check(problem, plan) == []
    assert ENDED not in plan.refusals


def test_a_search_deaf_to_the_wish_to_stop_is_ended():
    plan = plan_in_process(
        small_week(), Limits(3600, grace_s=0.3), seed=1, child=child(HANG), should_stop=lambda: True
    )
    assert ENDED in plan.refusals


def test_an_error_of_the_search_is_told_not_hidden():
    with pytest.raises(SearchFailed, match="MemoryError"):
        plan_in_process(
            small_week(), Limits(600), seed=1,
            child=child("line.send(('failed', 'MemoryError: no room'))\n"),
        )  # fmt: skip
    broken = (
        "from scheduling.planning.checker import Violation\n"
        "line.send(('broken', [Violation('lunch', 'too late')]))\n"
    )
    with pytest.raises(PlanBroken, match="lunch: too late"):
        plan_in_process(small_week(), Limits(600), seed=1, child=child(broken))


def test_a_re_plan_whose_search_is_lost_still_keeps_promises():
    pin = Pin(PinLevel.PROMISED, MONDAY, "ann", 8 * HOUR, 12 * HOUR)
    problem = small_week(pin=pin)
    published = plan_week(problem, seconds=1, seed=1, max_iterations=20)
    for script in (HANG, "os._exit(9)\n"):
        found = replan_in_process(problem, published, SHORT, seed=1, child=child(script))
        assert ENDED in found.proposal.refusals
        assert found.lost == ()
        assert placements(found.proposal)["x"] == ("ann", MONDAY)
    found = replan_in_process(problem, published, Limits(2), seed=1)
    assert ENDED not in found.proposal.refusals
    assert placements(found.proposal) == placements(published)


def test_a_search_whose_parent_is_gone_ends_by_itself():
    line, theirs = Pipe()
    process = subprocess.Popen([*CHILD, str(theirs.fileno())], cwd=ROOT, pass_fds=[theirs.fileno()])
    theirs.close()
    wish = {
        "what": "plan",
        "problem": small_week(),
        "seed": 1,
        "seconds": 3600,
        "grace_s": 1,
        "at": time.time(),
    }
    line.send(wish)
    assert line.recv()[0] == "progress"
    line.close()
    assert process.wait(60) == 1
