"""Messages by mapping: what is recorded, in which measure, and what is refused with which reason."""

import json
from datetime import timedelta

import pytest

from fleet.models import (
    DeadLetter,
    DeadLetterState,
    LastHeard,
    MeterReading,
    PerformanceReading,
    TelemetryDay,
    TelemetryMap,
)
from fleet.telemetry import dead_letters, last_seen
from fleet.telemetry.dead_letters import Message
from fleet.telemetry.intake import retry, take
from fleet.telemetry.mapping import check_pattern, filter_of, keep_map, match, newest_maps
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW
from tests.fleet.telemetry.telemetry_maps import VALUES, water_map

pytestmark = pytest.mark.django_db
AT = NOW - timedelta(hours=3)


@pytest.fixture
def unit():
    """A treatment unit with a permeate meter and a mapping."""
    found = make.treatment_unit(serial="RO-7")
    make.meter(found)
    water_map()
    return found


def message(body=None, *, serial="RO-7", topic=None, **values):
    body = {"at": AT.isoformat(), "litres": 378.5411784} | values if body is None else body
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    return Message(topic or f"sites/a/units/{serial}/water", payload)


def test_a_message_becomes_a_reading_and_gauges_in_working_measures(unit):
    taken = take([message(gauges=[{"bar": 8.0}, {"f": 59}])], now=NOW)
    assert (taken.recorded, taken.duplicates, taken.refused) == (2, 0, [])
    reading = MeterReading.objects.get()
    assert reading.source == "telemetry"
    assert reading.read_at == AT
    # 1 US gal = 3.785 411 784 L exactly (NIST SP 811, appendix B.8).
    assert reading.total_gal == pytest.approx(100)
    gauges = PerformanceReading.objects.get()
    # 1 bar = 14.503 77 psi (NIST SP 811, appendix B.8); 59 °F = 15 °C.
    assert gauges.feed_pressure_psi == pytest.approx(8 * 14.50377, rel=1e-6)
    assert gauges.feed_temperature_c == pytest.approx(15)


def test_the_same_messages_again_are_counted_and_add_nothing(unit):
    batch = [message(), message(at=(AT + timedelta(hours=1)).isoformat(), litres=400), message(b"{")]
    take(batch, now=NOW)
    again = take(batch, now=NOW + timedelta(minutes=1))
    assert (again.recorded, again.duplicates, len(again.refused)) == (0, 2, 1)
    assert MeterReading.objects.count() == 2
    assert DeadLetter.objects.get().times == 2
    day = TelemetryDay.objects.get()
    assert (day.messages, day.recorded, day.duplicates, day.refused) == (6, 2, 2, 2)


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (message(b"\xff\xfe"), "no text in UTF-8"),
        (message(b"no json"), "no JSON"),
        (message(b"[" * 100_000), "nested too deeply"),
        (message(b'{"at": "2026-11-02T10:00:00Z", "litres": NaN}'), "no number that can be counted with"),
        (message(b'{"at": "2026-11-02T10:00:00Z", "litres": 1e999}'), "no number that can be counted with"),
        (message(b'{"at": "2026-11-02T10:00:00Z", "litres": -Infinity}'), "no number that can be counted"),
        (message(litres="nan"), "no number that can be counted with"),
        (message(litres=True), "is no number"),
        (message(litres=-5), "can't be negative"),
        (message(litres=1e12), "can't show that much"),
        (message(at=(NOW + timedelta(days=2)).isoformat()), "in the future"),
        (message(at="9999-12-31T23:59:59-23:00"), "is no moment"),
        (message(at="2026-11-02T10:00:00"), "no time zone"),
        (message(at="yesterday"), "is no moment"),
        (message(at=None), "is no moment"),
        (message({"at": AT.isoformat()}), "Nothing that is mapped was measured"),
        (message(serial="RO-99"), "There is no treatment unit RO-99"),
        (message(topic="sites/a/units/RO-7/air"), "No mapping is in use for this topic"),
        (message(b'{"x": "' + b"y" * 300_000 + b'"}'), "bytes long"),
        (message(gauges=[{"bar": 5000}]), "not believable"),
        (message(b'{"at": "\\ud800", "litres": 1}'), "is no moment"),
        (message(b"null"), "is no moment"),
        (message(b"7"), "is no moment"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_is_kept_with_its_reason_and_remedy(unit, sent, reason):
    good = message(litres=390, at=(AT + timedelta(minutes=5)).isoformat())
    taken = take([sent, good], now=NOW)
    assert len(taken.refused) == 1
    letter = DeadLetter.objects.get()
    assert reason in letter.reason
    assert letter.remedy
    assert letter.payload_bytes == len(sent.payload)
    assert MeterReading.objects.filter(read_at=AT + timedelta(minutes=5)).exists(), "the good one is kept"


def test_several_readings_in_one_message_each_with_its_serial(unit):
    other = make.treatment_unit(serial="RO-8")
    make.meter(other)
    water_map("hourly", topic="gateways/{any}", rows_path="data.rows", serial_path="unit",
              moment_path="t", moment_form="milliseconds")  # fmt: skip
    ms = int(AT.timestamp() * 1000)
    body = {"data": {"rows": [{"unit": "RO-7", "t": ms, "litres": 10}, {"unit": "RO-8", "t": ms, "litres": 9},
                              {"unit": "RO-8", "t": ms + 60_000, "litres": 21}]}}  # fmt: skip
    assert take([message(body, topic="gateways/g1")], now=NOW).recorded == 3
    assert MeterReading.objects.filter(treatment_unit=other).count() == 2
    assert MeterReading.objects.filter(treatment_unit=unit).get().read_at == AT


def test_a_dead_letter_can_be_taken_once_its_cause_is_mended(unit):
    planner = make.person("planner")
    take([message(serial="RO-55")], now=NOW)
    letter = DeadLetter.objects.get()
    with pytest.raises(DomainError, match="refused again"):
        retry(letter, by=planner, now=NOW)
    make.meter(make.treatment_unit(serial="RO-55"))
    retry(letter, by=planner, now=NOW)
    letter.refresh_from_db()
    assert letter.state == DeadLetterState.TAKEN
    assert MeterReading.objects.get().treatment_unit.serial == "RO-55"
    with pytest.raises(DomainError, match="taken already"):
        retry(letter, by=planner, now=NOW)


def test_a_dismissed_message_that_comes_again_stays_dismissed(unit):
    take([message(b"{")], now=NOW)
    dead_letters.dismiss(DeadLetter.objects.get(), by=make.person("planner"), now=NOW)
    take([message(b"{")], now=NOW + timedelta(hours=1))
    letter = DeadLetter.objects.get()
    assert letter.state == DeadLetterState.DISMISSED
    assert letter.times == 2


def test_who_was_heard_and_who_has_fallen_silent(unit):
    take([message()], now=NOW)
    row = LastHeard.objects.get()
    assert (row.source, row.heard_at, row.read_at) == ("permeate", NOW, AT)
    assert last_seen.note_silence(now=NOW + timedelta(hours=35), hours=36) == 0
    assert last_seen.note_silence(now=NOW + timedelta(hours=37), hours=36) == 1
    assert last_seen.note_silence(now=NOW + timedelta(hours=38), hours=36) == 0
    late = message(at=(AT - timedelta(days=1)).isoformat(), litres=300)
    take([late], now=NOW + timedelta(hours=39))
    row.refresh_from_db()
    assert row.silent_since is None
    assert row.read_at == AT, "an older reading that comes late does not set the newest back"


def test_a_changed_mapping_counts_from_its_moment_and_the_old_one_stays(unit):
    keep_map("water", VALUES | {"is_on": False}, by=None, now=NOW)
    assert TelemetryMap.objects.count() == 2
    assert take([message()], now=NOW - timedelta(minutes=1)).recorded == 1
    assert "No mapping is in use" in take([message(litres=400)], now=NOW).refused[0].reason
    assert [row.is_on for row in newest_maps(NOW)] == [False]


@pytest.mark.parametrize(
    "given",
    [
        {"topic": "$share/x/{serial}"},
        {"topic": "a/#"},
        {"topic": "a/x{serial}"},
        {"topic": "{serial}/{serial}"},
        {"topic": ""},
        {"topic": "a/b"},
        {"fields": []},
        {"fields": [{"quantity": "permeate_total", "path": "x", "measure": "psi"}]},
        {"moment_path": ""},
        {"moment_form": "stardate"},
    ],
)
def test_a_mapping_that_could_not_work_is_refused_with_a_remedy(given):
    with pytest.raises(DomainError) as refusal:
        keep_map("water", VALUES | given, by=None, now=NOW)
    assert refusal.value.remedy
    assert not TelemetryMap.objects.exists()


def test_topics_are_matched_level_by_level():
    check_pattern("a/{any}/{serial}")
    assert filter_of("a/{any}/{serial}") == "a/+/+"
    assert match("a/{any}/{serial}", "a/b/RO-1") == {"serial": "RO-1"}
    assert match("a/{any}/{serial}", "a/b") is None
    assert match("a/{any}/{serial}", "b/b/RO-1") is None
