"""Distances against geodesy, and the rules of the travel table."""

import numpy as np
import pytest

from scheduling.planning.travel import (
    Correction,
    Place,
    TravelSettings,
    TravelSource,
    TravelTable,
    estimate_travel,
    great_circle_m,
    road_estimate,
)

PARIS, LONDON = Place("paris", 48.8566, 2.3522), Place("london", 51.5074, -0.1278)


def test_one_degree_of_latitude_is_111_195_km_on_the_mean_sphere():
    """By definition: radius 6371.0088 km (IUGG mean radius R1) x pi / 180 = 111.195 km."""
    metres = great_circle_m([0.0, 1.0], [0.0, 0.0])
    assert metres[0, 1] == pytest.approx(111_195.08, abs=0.1)


def test_paris_to_london_is_about_344_km():
    """Value from memory: 343 to 344 km between the city centres."""
    metres = great_circle_m([PARIS.latitude, LONDON.latitude], [PARIS.longitude, LONDON.longitude])
    assert metres[0, 1] == pytest.approx(343_500, rel=0.003)


def test_antipodes_are_half_the_circumference_without_rounding_trouble():
    assert great_circle_m([0.0, 0.0], [0.0, 180.0])[0, 1] == pytest.approx(np.pi * 6_371_008.8)


def test_the_estimate_is_symmetric_whole_and_zero_at_home():
    rng = np.random.default_rng(3)
    places = [Place(str(n), *rng.uniform(40, 50, 2)) for n in range(30)]
    table = estimate_travel(places)
    for matrix in (table.drive_s, table.distance_m):
        assert matrix.dtype == np.int64
        assert (matrix == matrix.T).all()
        assert (np.diagonal(matrix) == 0).all()
    assert table.source == TravelSource.ESTIMATED


def test_circuity_falls_from_1_45_at_the_door_to_1_25_far_away():
    _, road_m = road_estimate(np.array([100.0, 100_000.0]), TravelSettings())
    assert road_m[0] / 100 == pytest.approx(1.45, abs=0.01)
    assert road_m[1] / 100_000 == pytest.approx(1.25, abs=0.001)


def test_a_longer_leg_never_takes_less_time():
    seconds, _ = road_estimate(np.arange(0, 200_000, 250.0), TravelSettings())
    assert (np.diff(seconds) >= 0).all()


def test_sixty_road_kilometres_take_48_minutes_and_the_leg_allowance():
    """75 km/h from 60 km on: 48 min, and 90 s for the leg."""
    settings = TravelSettings(circuity_far=1.0, circuity_near_extra=0.0)
    seconds, _ = road_estimate(np.array([60_000.0]), settings)
    assert seconds[0] == 48 * 60 + 90


def test_a_hand_set_value_holds_both_ways_and_nothing_else_changes():
    plain = estimate_travel([PARIS, LONDON, Place("c", 50, 1)])
    table = estimate_travel(
        [PARIS, LONDON, Place("c", 50, 1)], corrections=[Correction("london", "paris", 9000)]
    )
    assert table.seconds("paris", "london") == table.seconds("london", "paris") == 9000
    assert table.seconds("paris", "c") == plain.seconds("paris", "c")
    assert table.metres("paris", "london") == plain.metres("paris", "london")


def test_a_place_without_position_is_left_out():
    assert estimate_travel([PARIS, Place("nowhere", None, None)]).place_ids == ("paris",)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Place("x", 91, 0), "latitude"),
        (lambda: Place("x", 0, 181), "longitude"),
        (lambda: Place("x", 1, None), "both"),
        (lambda: TravelSettings(circuity_far=0.9), "never shorter"),
        (lambda: TravelSettings(speed_knots=((5, 30), (0, 20))), "rise"),
        (lambda: Correction("a", "b", -1), "out of range"),
        (lambda: TravelTable(("a",), np.zeros((2, 2), np.int64), np.zeros((1, 1), np.int64)), "shape"),
        (lambda: TravelTable(("a", "a"), np.zeros((2, 2), np.int64), np.zeros((2, 2), np.int64)), "twice"),
    ],
)
def test_bad_values_are_refused_by_name(make, words):
    with pytest.raises(ValueError, match=words):
        make()
