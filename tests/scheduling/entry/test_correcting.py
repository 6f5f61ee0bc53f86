"""What follows from a correction is told before it is kept, and is what had been, entered right at once."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse

from fleet.corrections.corrections import Act, correct
from fleet.models import Corrected, Correction, FeedTest, Finding, MeterReading, Part, PartState, UnitState
from scheduling.billing import revenue
from scheduling.entry.consequences import picture
from scheduling.models import RevenueEntry, WorkOrder
from scheduling.orders.again import assess_and_raise
from tests import factories as make

pytestmark = pytest.mark.django_db
ACT = Act("Typed wrongly.", None, make.NOW)


@pytest.fixture(autouse=True)
def _standing_clock(monkeypatch, now):
    monkeypatch.setattr("django.utils.timezone.now", lambda: now)


def wrong_total(unit):
    row = MeterReading.objects.filter(treatment_unit=unit).latest("read_at")
    return (
        Corrected.TOTAL,
        row,
        {"total": row.total + 900, "total_gal": row.total_gal + 900},
        {"total": row.total},
    )


def wrong_part_date(unit):
    row = Part.objects.get(treatment_unit=unit, position__code="carbon")
    at = row.installed_at
    return Corrected.PART, row, {"installed_at": at - timedelta(days=300)}, {"installed_at": at}


def wrong_feed_test(unit):
    row = FeedTest.objects.get(site=unit.site)
    return (
        Corrected.FEED_TEST,
        row,
        {"free_chlorine_mg_l": 9.0},
        {"free_chlorine_mg_l": row.free_chlorine_mg_l},
    )


def wrong_flush(unit):
    row = unit.flushes.filter(part__position__code="carbon").get()
    return Corrected.FLUSH, row, {"ran_clear": False}, {"ran_clear": True}


def wrong_reason(unit):
    part = Part.objects.get(treatment_unit=unit, position__code="sediment")
    Part.objects.filter(pk=part.pk).update(removed_at=make.NOW - timedelta(days=2), removal_reason="worn")
    make.part(part.position, part.kind, installed_at=make.NOW - timedelta(days=2))
    return Corrected.PART, part, {"removal_reason": "early"}, {"removal_reason": "worn"}


def look(unit, *, anew=False):
    assess_and_raise([unit.pk], make.NOW, anew=anew)
    revenue.enter_revenue(through=make.TODAY, now=make.NOW)
    state = UnitState.objects.values().get(treatment_unit=unit)
    parts = PartState.objects.filter(treatment_unit=unit).order_by("part_id").values()
    findings = Finding.objects.filter(treatment_unit=unit, gone_at=None).order_by("cause_key")
    orders = WorkOrder.objects.open().filter(treatment_unit=unit).order_by("cause_key")
    money = RevenueEntry.objects.filter(site=unit.site).order_by("cause_key")
    return (
        state, list(parts),
        list(findings.values("kind", "cause_key", "strength", "likely_on", "numbers", "why")),
        list(orders.values("kind", "cause_key", "why", "strength", "window_from", "window_to", "likely_on")),
        list(money.values("cause_key", "amount", "month")),
    )  # fmt: skip


@pytest.mark.parametrize(
    "mistake", [wrong_total, wrong_part_date, wrong_feed_test, wrong_flush, wrong_reason]
)
@pytest.mark.parametrize("looked_between", [False, True])
def test_correcting_then_assessing_is_as_if_entered_right_at_once(mistake, looked_between):
    unit = make.whole_unit()
    make.plan(unit.site)
    of, row, wrong, right = mistake(unit)
    as_if_right = look(unit)
    type(row).objects.filter(pk=row.pk).update(**wrong)
    if looked_between:
        as_wrong = look(unit)
        assert mistake is wrong_reason or as_wrong != as_if_right
    correct(of, row.pk, right, act=ACT)
    assert set(flat(look(unit, anew=True))) ^ set(flat(as_if_right)) == set()


def flat(looked):
    """Every value on a line of its own, so that a difference says where it is."""
    for place, rows in enumerate(looked):
        for row in rows if isinstance(rows, list) else [rows]:
            name = row.get("cause_key") or row.get("part_id")
            yield from (f"{place} {name} {key}: {value}" for key, value in row.items())


@pytest.fixture
def unit():
    made = make.whole_unit()
    assess_and_raise([made.pk], make.NOW)
    return made


def sign_in(client, role, unit):
    client.force_login(make.person(role, branch=unit.site.branch))
    return client


def test_what_follows_is_told_before_and_nothing_is_kept_until_it_is(client, unit):
    flush = unit.flushes.filter(part__position__code="carbon").get()
    address = reverse("correct_this", args=["flush", flush.pk])
    planner = sign_in(client, "planner", unit)
    before = picture([unit.pk], now=make.NOW, system="us", with_money=True)
    fields = {
        "version": 0, "kind": flush.kind, "flushed_at": flush.flushed_at.strftime("%Y-%m-%dT%H:%M"),
        "volume_gal": "30", "minutes": "30", "reason": "The customer saw black water.",
    }  # fmt: skip
    shown = planner.post(address, {**fields, "do": "look"})
    told = shown.content.decode()
    assert shown.status_code == 200
    assert "Flush owed" in told or "flush" in told.lower()
    assert "Nothing is kept yet." in told
    assert any("readiness" in one.what for one in shown.context["foreseen"].changes)
    flush.refresh_from_db()
    assert flush.ran_clear
    assert not Correction.objects.exists()
    assert picture([unit.pk], now=make.NOW, system="us", with_money=True) == before
    kept = planner.post(address, {**fields, "do": "keep"})
    assert kept.url == reverse("treatment_unit", args=[unit.serial])
    after = picture([unit.pk], now=make.NOW, system="us", with_money=True)
    assert {one.what: one.after for one in shown.context["foreseen"].changes} == {
        what: after.get(what, "") for what in dict.fromkeys([*before, *after])
        if before.get(what) != after.get(what)
    }  # fmt: skip
    page = planner.get(kept.url).content.decode()
    assert "<s>yes</s>" in page
    assert "The customer saw black water." in page


def test_every_list_of_the_unit_leads_to_correcting_and_only_for_who_may(client, unit):
    page = (
        sign_in(client, "planner", unit).get(reverse("treatment_unit", args=[unit.serial])).content.decode()
    )
    for of in ("meter_reading", "gauges", "feed_test", "part", "flush"):
        assert f"/correct/{of}/" in page
    page = sign_in(client, "integrator", unit).get(reverse("treatment_unit", args=[unit.serial]))
    assert "/correct/" not in page.content.decode()
    flush = unit.flushes.first()
    assert client.get(reverse("correct_this", args=["flush", flush.pk])).status_code == 403
    client.force_login(make.person("planner", branch=make.branch()))
    for of, row in (
        ("flush", flush), ("part", unit.parts.first()), ("feed_test", unit.site.feed_tests.first()),
        ("meter_reading", MeterReading.objects.first()),
    ):  # fmt: skip
        assert client.get(reverse("correct_this", args=[of, row.pk])).status_code == 404


def test_a_refusal_stands_beside_its_field_with_all_that_was_typed(client, unit):
    row = MeterReading.objects.filter(treatment_unit=unit).latest("read_at")
    answer = sign_in(client, "planner", unit).post(
        reverse("correct_this", args=["meter_reading", row.pk]),
        {
            "version": 0,
            "total": "about 12",
            "read_at": "2026-11-02T09:00",
            "reason": "Misheard",
            "do": "look",
        },
    )
    assert answer.status_code == 422
    for words in ("about 12", "is no total", "Misheard"):
        assert words in answer.content.decode()


def test_the_owner_corrects_money_by_a_further_entry_told_before(client, unit):
    entry = RevenueEntry.objects.create(
        kind="work", cause_key="work:test", site=unit.site, month=make.TODAY.replace(day=1),
        amount=Decimal("38.00"), text="Work", entered_at=make.NOW,
    )  # fmt: skip
    address = reverse("correct_money", args=[entry.pk])
    owner = sign_in(client, "owner", unit)
    assert f'href="{address}"' in owner.get(reverse("revenue_entries")).content.decode()
    fields = {"to_amount": "48.00", "because": "Twenty minutes more."}
    told = owner.post(address, {**fields, "do": "look"}).content.decode()
    assert "<s>38.00</s>" in told
    assert "48.00" in told
    assert RevenueEntry.objects.count() == 1
    owner.post(address, {**fields, "do": "keep"})
    difference = RevenueEntry.objects.get(corrects=entry)
    assert (difference.amount, difference.entered_by.role) == (Decimal("10.00"), "owner")
    # A correction is corrected through the entry it names, and back again is nothing but another one.
    owner.post(reverse("correct_money", args=[difference.pk]), {**fields, "to_amount": "38.00", "do": "keep"})
    assert sum(RevenueEntry.objects.values_list("amount", flat=True)) == Decimal("38.00")
    assert sign_in(client, "planner", unit).get(address).status_code == 403
