"""What is told on the telephone gets in, and what can't be right is asked about once."""

from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import (
    AuditEntry,
    FeedTest,
    Flush,
    MeterReading,
    Part,
    PerformanceReading,
    ReadingSource,
    StaleFlag,
    UnitState,
)
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading, OnDoubt
from scheduling.entry.typed import read_total
from shared.measures import Measure
from tests import factories as make

pytestmark = pytest.mark.django_db
AT = make.NOW.strftime("%Y-%m-%dT%H:%M")


@pytest.fixture(autouse=True)
def _standing_clock(monkeypatch, now):
    monkeypatch.setattr("django.utils.timezone.now", lambda: now)


@pytest.fixture
def unit():
    made = make.whole_unit()
    made.site.time_zone = "UTC"
    made.site.save()
    return made


@pytest.fixture
def meter(unit):
    return unit.meters.get()


@pytest.fixture
def planner(client, unit):
    client.force_login(make.person("planner", branch=unit.site.branch))
    return client


def post(client, unit, what, **fields):
    return client.post(reverse("enter_unit", args=[unit.serial]), {"what": what, **fields})


def total_of(meter):
    return MeterReading.objects.filter(meter=meter, is_latest=True).latest("read_at")


@pytest.mark.parametrize(
    ("text", "total"),
    [
        ("48,210", (48210, None)), ("48.2K", (48200, None)), (" 48 210 ", (48210, None)),
        ("182,486 L", (182486, Measure.LITRE)), ("12.5m3", (12.5, Measure.CUBIC_METRE)),
        ("7 300 gal", (7300, Measure.GALLON)), ("about 40", None), ("", None),
        ("12 psi", None), ("1.2.3", None),
    ],
)  # fmt: skip
def test_totals_are_read_as_people_write_them(text, total):
    assert read_total(text) == total


def test_a_telephoned_reading_is_kept_assessed_and_in_the_trail(planner, unit, meter):
    last = total_of(meter)
    make_later = make.NOW + timedelta(days=0)
    answer = post(planner, unit, "reading", meter=meter.pk, total=f"{last.total + 5:,.1f}", read_at=AT)
    # The factory has read the meter at this very moment with another value: told, not overwritten.
    assert answer.status_code == 422
    MeterReading.objects.filter(pk=last.pk).delete()
    answer = post(planner, unit, "reading", meter=meter.pk, total=f"{last.total:,.1f}", read_at=AT)
    assert answer.status_code == 302
    kept = total_of(meter)
    assert (kept.total, kept.source, kept.read_at, kept.doubt) == (last.total, "office", make_later, None)
    assert not StaleFlag.objects.filter(treatment_unit_id=unit.pk).exists()
    assert UnitState.objects.get(treatment_unit=unit).assessed_at == make.NOW
    entry = AuditEntry.objects.get(about=unit.serial)
    assert entry.by.role == "planner"
    assert f"{last.total:,.10g}" in entry.detail
    # A second press adds nothing.
    post(planner, unit, "reading", meter=meter.pk, total=f"{last.total:,.1f}", read_at=AT)
    assert AuditEntry.objects.filter(about=unit.serial).count() == 1


@pytest.mark.parametrize(
    ("factor", "says"),
    [
        (0.0001, "is below the last"),
        (10, "would fit"),
        (3.785411784, "It would fit in"),
        (0.001, "thousands"),
    ],
)
def test_a_fall_and_a_leap_are_asked_about_once_with_the_likely_slip(planner, unit, meter, factor, says):
    MeterReading.objects.filter(meter=meter, read_at=make.NOW).delete()
    typed = f"{(total_of(meter).total + 140) * factor:.2f}"
    asked = post(planner, unit, "reading", meter=meter.pk, total=typed, read_at=AT)
    assert asked.status_code == 422
    assert says in asked.content.decode()
    assert typed in asked.content.decode()
    assert "Keep anyway, because" in asked.content.decode()
    assert not MeterReading.objects.filter(meter=meter, read_at=make.NOW).exists()
    again = post(
        planner, unit, "reading", meter=meter.pk, total=typed, read_at=AT, because="Read out twice, a photo."
    )
    assert again.status_code == 302
    kept = total_of(meter)
    assert kept.read_at == make.NOW
    assert "Read out twice, a photo." in kept.doubt


def test_after_a_leap_was_kept_a_true_total_is_asked_about_and_not_refused_for_good(planner, unit, meter):
    MeterReading.objects.filter(meter=meter, read_at=make.NOW).delete()
    right = total_of(meter).total + 140
    make.meter_reading(meter, right * 10, make.NOW - timedelta(days=1))
    asked = post(planner, unit, "reading", meter=meter.pk, total=f"{right:.1f}", read_at=AT)
    assert "correct that one first" in asked.content.decode()
    post(planner, unit, "reading", meter=meter.pk, total=f"{right:.1f}", read_at=AT, because="Yes")
    assert total_of(meter).total == pytest.approx(right, abs=0.1)


def test_a_rollover_is_no_fall_and_use_as_usual_no_leap():
    unit = make.treatment_unit()
    meter = make.meter(unit, digits=5)
    make.meter_reading(meter, 99_950.0, make.NOW - timedelta(days=7))
    report = record_meter_readings(
        [NewMeterReading(meter.pk, make.NOW, 90.0)],
        source=ReadingSource.OFFICE, now=make.NOW, on_doubt=OnDoubt.ASK,
    )  # fmt: skip
    assert report.recorded == 1
    assert not report.asks


def test_one_slip_in_a_batch_throws_no_doubt_on_what_follows():
    meter = make.meter(make.treatment_unit())
    days = [make.NOW - timedelta(days=back) for back in (30, 20, 10, 0)]
    report = record_meter_readings(
        [NewMeterReading(meter.pk, at, total, row=row)
         for row, (at, total) in enumerate(zip(days, (1000, 1200, 140_000, 1600), strict=True))],
        source=ReadingSource.OFFICE, now=make.NOW, on_doubt=OnDoubt.ASK, accept_good_rows=True,
    )  # fmt: skip
    assert report.asks == {2}
    assert report.recorded == 3


def test_what_a_phone_sends_is_kept_with_its_doubt():
    meter = make.meter(make.treatment_unit())
    make.meter_reading(meter, 5000.0, make.NOW - timedelta(days=7))
    record_meter_readings(
        [NewMeterReading(meter.pk, make.NOW, 12.0)],
        source=ReadingSource.PHONE, now=make.NOW, on_doubt=OnDoubt.WARN,
    )  # fmt: skip
    assert "is below the last" in total_of(meter).doubt


def test_gauges_a_feed_test_a_flush_and_a_part_of_the_customers_are_kept(planner, unit):
    planner.get(reverse("enter_unit", args=[unit.serial]))
    PerformanceReading.objects.filter(treatment_unit=unit, read_at=make.NOW).delete()
    assert (
        post(planner, unit, "gauges", read_at=AT, feed_pressure_psi="61", feed_temperature_c="50").status_code
        == 302
    )
    gauges = PerformanceReading.objects.filter(treatment_unit=unit).latest("read_at")
    assert (gauges.feed_pressure_psi, gauges.feed_temperature_c, gauges.source) == (61, 10, "office")

    assert post(
        planner, unit, "test", sampled_at=AT, source="Town laboratory", free_chlorine_mg_l="0.6",
        total_chlorine_mg_l="1.4", hardness_mg_l="210",
    ).status_code == 302  # fmt: skip
    test = FeedTest.objects.filter(site=unit.site).latest("sampled_at")
    assert (test.free_chlorine_mg_l, test.chloramine_mg_l, test.source) == (0.6, 0.8, "Town laboratory")
    refused = post(planner, unit, "test", sampled_at=AT, total_chlorine_mg_l="1.4")
    assert refused.status_code == 422
    assert "without free chlorine" in refused.content.decode()

    part = Part.objects.get(treatment_unit=unit, position__code="carbon")
    fields = {
        "position": f"{part.position_id}:{part.pk}", "kind": part.kind_id, "changed_at": AT, "reason": "worn",
    }  # fmt: skip
    assert post(planner, unit, "part", **fields).status_code == 302
    part.refresh_from_db()
    assert part.removal_reason == "worn"
    assert part.removed_at == make.NOW
    # A second press, and somebody else's change meanwhile, are told and change nothing.
    assert post(planner, unit, "part", **fields).status_code == 422
    assert Part.objects.filter(position=part.position).count() == 2

    assert UnitState.objects.get(treatment_unit=unit).readiness == "flush_owed"
    flush = {
        "client_id": "5f0c5a3e-3f5c-4a52-8f5e-0a3c6f3b2a11", "kind": "carbon_fines", "flushed_at": AT,
        "volume_gal": "30", "minutes": "30", "ran_clear": "on",
    }  # fmt: skip
    assert post(planner, unit, "flush", **flush).status_code == 302
    assert post(planner, unit, "flush", **flush).status_code == 302
    assert Flush.objects.filter(treatment_unit=unit, flushed_at=make.NOW).count() == 1
    assert UnitState.objects.get(treatment_unit=unit).readiness == "in_service"


def test_the_search_opens_the_only_unit_that_fits_and_lists_others(planner, unit):
    sister = make.treatment_unit(site=unit.site)
    assert planner.get(reverse("enter"), {"q": unit.serial}).url == reverse("enter_unit", args=[unit.serial])
    both = planner.get(reverse("enter"), {"q": unit.site.customer.name}).content.decode()
    assert unit.serial in both
    assert sister.serial in both
    assert "No treatment unit fits" in planner.get(reverse("enter"), {"q": "nowhere"}).content.decode()


def test_another_branch_sees_no_unit_to_enter_for(client, unit):
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("enter_unit", args=[unit.serial])).status_code == 404
    assert (
        unit.serial
        not in client.get(reverse("enter"), {"q": unit.serial}).content.decode().split("</form>")[-1]
    )
