"""A signature as the phone sends it: points in bounds, bounded size, nothing else."""

import json

import pytest

from scheduling.documents.pictures import read_strokes
from scheduling.visits.signature import MOST_CHARACTERS, MOST_POINTS, MOST_STROKES, checked_strokes


def test_strokes_are_kept_in_one_spelling_that_the_report_can_draw():
    text = checked_strokes("[ [[0, 0], [10.4, 1000]], [], [[7, 8]] ]")
    assert text == "[[[0,0],[10,1000]],[[7,8]]]"
    assert read_strokes(text) == ([[(0, 0), (10, 1000)], [(7, 8)]], True)
    assert checked_strokes(text) == text


@pytest.mark.parametrize("text", ["", "  ", "[]", "[[],[]]"])
def test_nothing_drawn_is_no_signature(text):
    assert checked_strokes(text) == ""


@pytest.mark.parametrize(
    "text",
    [
        "{", "null", "5", '"x"', '{"a": 1}', "[1]", "[[1, 2]]", "[[[1]]]", "[[[1, 2, 3]]]", "[[[-1, 2]]]",
        "[[[1, 1001]]]", "[[[NaN, 1]]]", "[[[Infinity, 1]]]", "[[[true, 1]]]", '[[["1", 1]]]',
        '[[{"x": 1, "y": 1}]]',
        "[[[1e400, 1]]]", "[" * 50_000, "[[[1,1]]]" + " " * MOST_CHARACTERS,
        json.dumps([[[1, 1]]] * (MOST_STROKES + 1)), json.dumps([[[1, 1]] * (MOST_POINTS + 1)]),
    ],
)  # fmt: skip
def test_anything_else_is_refused_with_its_remedy(text):
    with pytest.raises(ValueError, match="Clear the box"):
        checked_strokes(text)
