"""Blocks read at one go say what the same lines say one by one."""

import io
import json
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from api import bulk_lines
from api.bulk_lines import csv_blocks, json_blocks
from api.bulk_rows import sight
from api.fields import read_moment, read_moments

GOOD = b'{"meter_id":1,"read_at":"2026-11-01T08:00:00Z","total_gal":5}'
PIECES = [
    GOOD, b'{"meter_id":2}', b"{}", b"{},{}", b'{"meter_id":1', b'"total_gal":2}',
    b'"total_gal":2},{"meter_id":3}',
    b'{"water":"a}', b'{b"}', b'{"meter_id":[{}', b"{}]}", b'{"meter_id":{}}', b"", b"5", b"]", b"[", b"{",
    b'{"x":1}', b'{"water":null}', b' {"meter_id":4} ', GOOD + b"\r", b'{"total_gal":1e999}', b"\xff",
]  # fmt: skip
CELLS = some.sampled_from(
    ["1", "", " 2 ", '"3"', '"a,b"', '"', 'x"y', "é", "٣", "nan", "1e3", "\x00", "\r", "a,b"]
)


def told(blocks):
    """Each row's line, its values, and whether it is at fault."""
    return [
        (row, block.values(place), place in block.faults)
        for block in blocks
        for place, row in enumerate(block.rows)
    ]


@settings(max_examples=300, deadline=None)
@given(some.lists(some.sampled_from(PIECES), min_size=1, max_size=6))
def test_lines_of_json_read_together_say_what_each_says_alone(pieces):
    body = b"\n".join(pieces)
    alone = []
    for number, line in enumerate(pieces, start=1):
        alone += [(number, values, fault) for _, values, fault in told(json_blocks(io.BytesIO(line)))]
    assert told(json_blocks(io.BytesIO(body))) == alone


@settings(max_examples=300, deadline=None)
@given(some.lists(some.lists(CELLS, min_size=1, max_size=3).map(",".join), max_size=6))
def test_csv_read_together_says_what_it_says_record_by_record(lines):
    text = "\n".join(lines)
    together = told(csv_blocks(io.BytesIO(f"meter_id,read_at\n{text}".encode())))
    by_record = told(bulk_lines._csv_by_record(io.BytesIO(text.encode()), 2, ["meter_id", "read_at"]))
    assert together == by_record


def test_a_bad_line_in_a_block_costs_no_other_line_anything():
    lines = [GOOD] * 50
    lines[20] = b"{"
    (block,) = json_blocks(io.BytesIO(b"\n".join(lines)))
    assert list(block.faults) == [20]
    assert block.rows == list(range(1, 51))
    assert [total for place, total in enumerate(sight(block).totals) if place != 20] == [5.0] * 49


def test_a_record_over_two_lines_is_found_where_blocks_meet(monkeypatch):
    monkeypatch.setattr(bulk_lines, "BLOCK", 2)
    body = b'treatment_unit_serial,read_at\nA,1\n"B\nb",2\nC,3\n"D\nd",4\n'
    rows = told(csv_blocks(io.BytesIO(body)))
    assert [(row, values["treatment_unit_serial"]) for row, values, _ in rows] == [
        (2, "A"), (4, "B\nb"), (5, "C"), (7, "D\nd"),
    ]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(
    some.lists(
        some.one_of(
            some.datetimes(timezones=some.timezones() | some.just(UTC)).map(datetime.isoformat),
            some.sampled_from(["2026-11-01T08:00:00", "2026-11-01", " 2026-11-01T08:00:00Z ", "x", None, 5,
                               "2026-11-01T08:00:00.123456789Z", "1899-12-31T23:00:00-05:00"]),
        ),
        max_size=4,
    )
)  # fmt: skip
def test_moments_read_together_are_those_read_alone(texts):
    assert list(read_moments(texts)) == [read_moment(text) for text in texts]


@pytest.mark.parametrize("values", [[1, 2.5, "3"], [True], ["1", "x"], [10**400], ["inf"], [None, 4], ["١"]])
def test_totals_read_together_are_those_read_alone(values):
    def totals(some_values):
        body = b"\n".join(
            json.dumps({"total_gal": value} if value is not None else {"meter_id": 1}).encode()
            for value in some_values
        )
        return [total for block in json_blocks(io.BytesIO(body)) for total in sight(block).totals]

    assert totals(values) == [total for value in values for total in totals([value])]
