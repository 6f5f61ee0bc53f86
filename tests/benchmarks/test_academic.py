"""Academic files through our own problem and plan, against the best known distances."""

from pathlib import Path

import pytest

from scheduling.planning.planner import plan_week
from tests.benchmarks.academic import as_problem, distances_tenths, read_vrptw
from tests.benchmarks.routes import BEST_KNOWN, distance_of

FILES = Path(__file__).parents[1] / "data" / "vrptw"


def test_a_file_is_read_whole():
    file = read_vrptw(FILES / "C101.txt")
    assert (file.name, file.vehicles, file.capacity, len(file.customers)) == ("C101", 25, 200, 101)
    assert file.customers[1].ready == 912
    assert len(read_vrptw(FILES / "R1_2_1.txt").customers) == 201


def test_distances_are_cut_to_one_decimal():
    """Depot (40, 50) to customer 1 (45, 68): sqrt(349) = 18.68, in tenths 186."""
    assert distances_tenths(read_vrptw(FILES / "C101.txt"))[0, 1] == 186


def test_c101_reaches_the_best_known_distance_through_our_own_path():
    """827.3 by the DIMACS 2021 convention, CVRPLIB list of December 2024."""
    plan = plan_week(as_problem(read_vrptw(FILES / "C101.txt")), seconds=1, seed=1, max_iterations=150)
    assert distance_of(plan) == pytest.approx(BEST_KNOWN["C101"])


@pytest.mark.parametrize("name", ["R101", "RC208"])
def test_harder_files_come_near_and_never_below_the_best_known(name):
    plan = plan_week(as_problem(read_vrptw(FILES / f"{name}.txt")), seconds=1, seed=1, max_iterations=400)
    assert BEST_KNOWN[name] - 1e-6 <= distance_of(plan) <= 1.05 * BEST_KNOWN[name]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("X\n\nVEHICLE\n25 200\n0 1 2 3 4 5\n", "line 5"),
        ("X\n25 200\n0 0 0 0 0 10 0\n1 1 a 1 0 9 1\n", "line 4"),
        ("X\n", "Solomon"),
    ],
)
def test_a_bad_file_is_refused_by_line(tmp_path, text, words):
    path = tmp_path / "bad.txt"
    path.write_text(text)
    with pytest.raises(ValueError, match=words):
        read_vrptw(path)
