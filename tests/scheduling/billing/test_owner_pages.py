"""The owner's further pages: who may see them, what they show, and how few questions they ask."""

import csv
import io
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from fleet.models import Part, PartState, UnitState
from scheduling.billing import revenue
from scheduling.contracts import prices
from scheduling.models import CloseOut, CloseOutPart, InvoiceBatch, RevenueEntry
from tests import factories as make

pytestmark = pytest.mark.django_db
OWNER, PLANNER = {"owner"}, {"owner", "planner"}
PAGES = {
    "owner_bridge": PLANNER, "owner_bridge_file": PLANNER, "owner_margin": OWNER, "owner_margin_file": OWNER,
    "owner_risk": PLANNER, "owner_risk_file": PLANNER, "owner_forecast": PLANNER,
    "owner_forecast_file": PLANNER, "invoices": PLANNER,
}  # fmt: skip


@pytest.fixture(autouse=True)
def _standing_moment(time_machine):
    time_machine.move_to(make.NOW, tick=False)


@pytest.fixture
def owner(client):
    client.force_login(make.person("owner"))
    return client


def address(name: str) -> str:
    return reverse(name, args=["csv"] if name.endswith("_file") else [])


def body(response) -> str:
    content = b"".join(response.streaming_content) if response.streaming else response.content
    return content.decode()


def due(unit, kind: str, likely: int, **numbers) -> PartState:
    """The state of a part of ``whole_unit`` by its position, due so many days from now."""
    part = unit.parts.get(position__code=kind)
    day = make.TODAY + timedelta(days=likely)
    state = PartState(
        part=part, treatment_unit=unit, wear=0.9, governing="volume", early_on=day - timedelta(days=10),
        likely_on=day, late_on=day + timedelta(days=10), numbers=numbers, assessed_at=make.NOW,
    )  # fmt: skip
    state.save()
    return state


@pytest.mark.parametrize("role", ["owner", "planner", "technician", "integrator"])
@pytest.mark.parametrize("name", sorted(PAGES))
def test_each_page_lets_in_whom_it_should(client, name, role):
    client.force_login(make.person(role))
    assert client.get(address(name)).status_code == (200 if role in PAGES[name] else 403)


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_stranger_is_sent_to_the_log_in(client, name):
    answer = client.get(address(name))
    assert answer.status_code == 302
    assert answer.url.startswith(reverse("log_in"))


@pytest.mark.parametrize(("role", "expected"), [("planner", 403), ("technician", 403), ("integrator", 403)])
def test_only_the_owner_ends_a_month(client, role, expected):
    client.force_login(make.person(role))
    assert client.post(reverse("end_of_month"), {"month": "2026-09"}).status_code == expected


def test_a_technician_gets_no_batch(client, owner):
    make.plan(make.site(), starts_on=date(2026, 10, 1))
    owner.post(reverse("end_of_month"), {"month": "2026-10"})
    batch = reverse("invoice_batch_file", args=[InvoiceBatch.objects.get().pk])
    assert owner.get(batch).status_code == 200
    client.force_login(make.person("technician"))
    assert client.get(batch).status_code == 403


def test_the_planner_sees_no_cost_on_the_pages_both_see(client):
    unit = make.whole_unit()
    make.plan(unit.site)
    due(unit, "carbon", -20, membrane_life_lost_per_week=0.05)
    due(unit, "membrane", 300, limits={"oxidant_exposure": {"wear": 0.4, "wear_per_day": 0.01}})
    texts = {}
    for role in ("owner", "planner"):
        client.force_login(make.person(role))
        files = [client.get(address(name)) for name in ("owner_forecast_file", "owner_risk_file")]
        pages = [client.get(address(name)) for name in ("owner_forecast", "owner_risk")]
        texts[role] = "".join(body(answer) for answer in [*files, *pages])
    for word in ("Cost of order", "Cost of delay"):
        assert word in texts["owner"]
        assert word not in texts["planner"]


def test_the_bridge_adds_up_on_the_page_and_in_the_file(owner, now):
    first, second = make.site(name="Alder"), make.site(name="Birch")
    kept = make.plan(first, amount="60.00")
    prices.set_price(kept, amount=Decimal("66.00"), from_on=date(2026, 10, 5))
    make.plan(second, amount="120.00", starts_on=date(2026, 10, 20), interval="quarter")
    paused = make.plan(second, amount="30.00")
    prices.pause(paused, from_on=date(2026, 10, 10), to_on=None, why="Closed", by=None, now=now)
    page = owner.get(address("owner_bridge"), {"month": "2026-10"})
    total = page.context["found"].total
    assert (total.start, total.end) == (Decimal("90.00"), Decimal("106.00"))
    assert (total.new, total.grown, total.paused) == (Decimal("40.00"), Decimal("6.00"), Decimal("-30.00"))
    answer = owner.get(reverse("owner_bridge_file", args=["csv"]), {"month": "2026-10", "by": "site"})
    rows = list(csv.DictReader(io.StringIO(body(answer).removeprefix("\ufeff"))))
    for row in rows:
        moves = ("New", "Grown", "Resumed", "Shrunk", "Paused", "Lost")
        assert Decimal(row["Month before"]) + sum(Decimal(row[m]) for m in moves) == Decimal(
            row["This month"]
        )
    assert [row["Name"] for row in rows] == ["Birch", "Alder"]


def test_a_number_of_the_bridge_opens_the_plans_behind_it(owner):
    first = make.site(area="North", customer=make.customer(code="K1"))
    make.plan(first, amount="50.00", renews_on=date(2026, 12, 9))
    make.plan(first, amount="20.00")
    make.plan(make.site(area=""), amount="7.00", renews_on=date(2027, 1, 1))
    cuts = {"site": first.code, "customer": "K1", "area": "North"}
    for name, key in cuts.items():
        found = owner.get(address("owner_bridge"), {"by": "plan", name: key}).context["found"]
        assert (found.total.end, len(found.rows)) == (Decimal("70.00"), 2)
        assert found.months[-1].recurring == Decimal("70.00")
    none = owner.get(address("owner_bridge"), {"by": "plan", "area": ""}).context["found"]
    assert none.total.end == Decimal("7.00")
    due = owner.get(address("owner_bridge"), {"by": "plan", "renews": "2026-12"}).context["found"]
    assert due.total.end == Decimal("50.00")


def test_twelve_months_of_a_site_open_the_entries_that_make_them(owner, now):
    site = make.site()
    make.plan(site, amount="10.00", starts_on=date(2024, 1, 1))
    revenue.enter_revenue(through=make.TODAY, now=now)
    page = owner.get(reverse("revenue_review"))
    (line,) = page.context["found"].sites
    asked = {"since": f"{page.context['found'].year_from:%Y-%m}", "month": "2026-11", "site": site.code}
    behind = owner.get(reverse("revenue_entries"), asked).context["sums"]
    assert (behind["total"], behind["count"]) == (line["earned_year"], 12)
    link = "?" + "&amp;".join(f"{name}={value}" for name, value in asked.items())
    assert link in page.content.decode()


@pytest.mark.parametrize("by", ["site", "customer", "area", "plan"])
def test_every_cut_of_the_bridge_has_the_same_total(owner, by):
    for n in range(3):
        make.plan(make.site(), amount=f"{50 + n}.33", starts_on=date(2026, 9 + n % 2, 1))
    found = owner.get(address("owner_bridge"), {"month": "2026-10", "by": by}).context["found"]
    assert sum(row["end"] for row in found.rows) == found.total.end
    assert sum(row["start"] for row in found.rows) == found.total.start


def closed_stop(unit, technician, *, minutes: int, drive: int = 40, days_ago: int = 0):
    order = make.work_order(unit, minutes=minutes)
    route = make.route(technician, [order], make.TODAY - timedelta(days=days_ago))
    route.drive_minutes = drive
    route.save()
    return CloseOut.objects.create(
        order=order, stop=route.stops.get(), technician=technician, outcome="done", finished_at=make.NOW,
        received_at=make.NOW, minutes=minutes,
    )  # fmt: skip


def test_cost_to_serve_is_labour_drive_and_parts_and_the_worst_stands_first(owner, now):
    unit = make.treatment_unit()
    technician = make.technician(cost_per_hour=Decimal("45.00"))
    done = closed_stop(unit, technician, minutes=40)
    new = make.part(make.position(unit, "spare", 9), make.part_kind(cost=Decimal("14.00")))
    CloseOutPart.objects.create(close_out=done, installed=new)
    good = make.site(name="Good")
    make.plan(good, amount="100.00", starts_on=date(2026, 11, 1))
    revenue.enter_revenue(through=make.TODAY, now=now)
    RevenueEntry.objects.filter(site=unit.site).delete()
    found = owner.get(address("owner_margin")).context["found"]
    worst, best = found.sites
    assert (worst.labour, worst.drive, worst.parts) == (Decimal("30.00"), Decimal("30.00"), Decimal("14.00"))
    assert worst.margin == Decimal("-74.00")
    assert best.margin == Decimal("100.00")
    assert found.total.cost == Decimal("74.00")


def test_the_rows_behind_a_sites_cost_add_up_to_its_line(owner):
    unit = make.treatment_unit()
    neighbour = make.treatment_unit()
    technician = make.technician(cost_per_hour=Decimal("44.44"))
    for days_ago, minutes in enumerate((7, 11, 13)):
        done = closed_stop(unit, technician, minutes=minutes, drive=17, days_ago=days_ago)
    other = make.technician(cost_per_hour=Decimal("31.00"))
    route = make.route(other, [make.work_order(unit), make.work_order(neighbour)])
    CloseOut.objects.create(
        order=route.stops.first().orders.first().order, stop=route.stops.first(), technician=other,
        outcome="done", finished_at=make.NOW, received_at=make.NOW, minutes=5,
    )  # fmt: skip
    new = make.part(make.position(unit, "spare", 9), make.part_kind(cost=Decimal("14.01")))
    CloseOutPart.objects.create(close_out=done, installed=new)
    line = next(row for row in owner.get(address("owner_margin")).context["found"].sites
                if row.site_code == unit.site.code)  # fmt: skip
    page = owner.get(reverse("site_costs", args=[unit.site.code]))
    found = page.context["found"]
    assert dict(found.sums) == {"Labour": line.labour, "Drive": line.drive, "Parts": line.parts}
    assert found.total == line.cost
    assert sum(row.minutes for row in found.labour) == line.labour_minutes == 36
    assert reverse("route", args=[route.pk]) in page.content.decode()


def test_the_parts_behind_a_forecast_add_up_to_it(owner):
    for likely in (5, 40, 100):
        unit = make.whole_unit()
        due(unit, "carbon", likely)
    page = owner.get(address("owner_forecast"))
    for kind in page.context["found"].kinds:
        found = owner.get(reverse("parts_ahead", args=[kind.code])).context["found"]
        assert found.means == pytest.approx(kind.means, abs=0.002 * 3)
    assert any(kind.mean > 0.5 for kind in page.context["found"].kinds)


def test_a_forecast_names_the_day_a_part_went_in_at_its_site(owner):
    part = due(make.whole_unit(), "carbon", 40).part
    Part.objects.filter(pk=part.pk).update(installed_at=datetime(2026, 6, 5, 2, tzinfo=UTC))
    found = owner.get(reverse("parts_ahead", args=[part.kind.code])).context["found"]
    assert [row["installed_on"] for row in found.parts] == [date(2026, 6, 4)]


@pytest.mark.parametrize("role", ["owner", "planner", "technician", "integrator"])
def test_rows_behind_costs_are_for_the_owner_and_behind_parts_for_planners_too(client, role):
    site, kind = make.site(), make.part_kind()
    client.force_login(make.person(role))
    for form in ("", "?as=csv&list=labour"):
        status = client.get(reverse("site_costs", args=[site.code]) + form).status_code
        assert status == (200 if role == "owner" else 403)
    status = client.get(reverse("parts_ahead", args=[kind.code])).status_code
    assert status == (200 if role in PLANNER else 403)


def test_an_undone_close_out_costs_nothing(owner):
    unit = make.treatment_unit()
    done = closed_stop(unit, make.technician(), minutes=40)
    new = make.part(make.position(unit, "spare", 9), make.part_kind(cost=Decimal("14.00")))
    CloseOutPart.objects.create(close_out=done, installed=new)
    CloseOut.objects.filter(pk=done.pk).update(
        undone_at=make.NOW, undone_by=make.person("planner"), undone_because="Wrong site"
    )
    assert owner.get(address("owner_margin")).context["found"].sites == []


def margins(client):
    return client.get(address("owner_margin")).context["found"]


def test_parts_put_in_without_a_close_out_cost_and_an_unknown_cost_is_not_nothing(owner):
    unit = make.treatment_unit()
    known, unknown = make.part_kind(cost=Decimal("14.00")), make.part_kind(cost=Decimal("0"))
    for place, kind in enumerate((known, known, unknown), start=1):
        make.part(make.position(unit, f"p{place}", place), kind)
    make.part(make.position(unit, "old", 8), known, installed_at=make.NOW - timedelta(days=800))
    make.part(make.position(unit, "taken back", 9), known, installed_at=make.NOW, removed_at=make.NOW,
              removal_reason="unknown")  # fmt: skip
    (line,) = margins(owner).sites
    assert (line.parts, line.parts_put_in, line.parts_unknown) == (Decimal("28.00"), 3, 1)
    assert "1 of unknown cost" in owner.get(address("owner_margin")).content.decode()
    page = owner.get(reverse("site_costs", args=[unit.site.code]))
    assert sorted(row.cost or 0 for row in page.context["found"].parts) == [0, 14, 14]
    assert page.context["found"].total == line.cost
    assert "1 part has no cost in the catalogue" in page.content.decode()
    Part.objects.filter(kind=known).update(kind=unknown)
    assert "unknown" in owner.get(address("owner_margin")).content.decode().split("<tbody>")[1]


@pytest.mark.parametrize("reads", ["Pacific/Kiritimati", "America/Los_Angeles"])
def test_margins_go_by_the_day_at_the_site_whatever_clock_the_reader_has(client, reads, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("owner", time_zone=reads))
    unit = make.treatment_unit(site=make.site(time_zone="America/Chicago"))
    begins = datetime(2025, 11, 1, 5, tzinfo=UTC)
    done = closed_stop(unit, make.technician(), minutes=30, drive=0)
    part = make.part(make.position(unit, "spare", 9), make.part_kind(cost=Decimal("14.00")))
    for moment, minutes, cost in ((begins, 30, 14), (begins - timedelta(minutes=1), 0, 0)):
        CloseOut.objects.filter(pk=done.pk).update(finished_at=moment)
        Part.objects.filter(pk=part.pk).update(installed_at=moment)
        total = margins(client).total
        assert (total.labour_minutes, total.parts) == (minutes, cost)
        found = client.get(reverse("site_costs", args=[unit.site.code])).context["found"]
        assert found.total == total.cost


def test_revenue_at_risk_counts_a_site_once_and_names_each_reason(owner):
    unit = make.treatment_unit()
    make.plan(unit.site, amount="80.00")
    make.plan(make.site(), amount="20.00")
    make.work_order(unit, window_from=make.TODAY - timedelta(20), window_to=make.TODAY - timedelta(1))
    UnitState.objects.create(treatment_unit=unit, readiness="flush_owed", assessed_at=make.NOW)
    risk = owner.get(address("owner_risk")).context["risk"]
    assert (risk.at_risk, risk.monthly) == (Decimal("80.00"), Decimal("100.00"))
    assert [count for _, count, _ in risk.reasons()] == [1, 1, 0]


def test_a_week_with_spent_carbon_costs_the_share_of_the_membrane_it_uses_up(owner):
    unit = make.whole_unit()
    due(unit, "carbon", -200, membrane_life_lost_per_week=0.05)
    due(unit, "membrane", 300)
    [late] = owner.get(address("owner_risk")).context["risk"].late
    assert late["weekly"] == Decimal("6.00"), "5 % of a membrane of 120.00, the carbon being surely spent"
    assert late["days_late"] == 200


def test_without_that_figure_the_membranes_own_exposure_speaks(owner):
    unit = make.whole_unit()
    due(unit, "carbon", -200)
    due(unit, "membrane", 300, limits={"oxidant_exposure": {"wear": 0.2, "wear_per_day": 0.002}})
    [late] = owner.get(address("owner_risk")).context["risk"].late
    assert late["weekly"] == Decimal("1.68")


def test_parts_that_are_due_are_forecast_and_what_the_shelf_lacks_is_ordered(owner):
    unit = make.whole_unit()
    state = due(unit, "carbon", -30)
    make.van(make.technician(), make.part_kind(), quantity=9)
    found = owner.get(address("owner_forecast")).context["found"]
    [order] = found.reorder
    assert order.code == state.part.kind.code
    assert (order.needed, order.in_stock, order.order_cost) == (1, 0, Decimal("14.00"))
    assert found.months[0]["changes"] == pytest.approx(1, abs=0.1)
    make.van(make.technician(), state.part.kind, quantity=3)
    assert owner.get(address("owner_forecast")).context["found"].reorder == []


def test_a_promised_visit_and_a_dated_price_are_in_the_forecast(owner):
    plan = make.plan(
        make.treatment_unit().site, amount="60.00", starts_on=date(2026, 1, 20), visit_every_months=12
    )
    prices.set_price(plan, amount=Decimal("90.00"), from_on=date(2027, 2, 1))
    months = owner.get(address("owner_forecast")).context["found"].months
    assert [round(one["visits"], 6) for one in months] == [0, 0, 1, 0, 0, 0]
    assert [one["recurring"] for one in months] == [Decimal("60.00")] * 3 + [Decimal("90.00")] * 3


def test_numbers_are_numbers_in_the_workbook(owner):
    make.plan(make.site(), amount="60.00")
    answer = owner.get(reverse("owner_bridge_file", args=["xlsx"]))
    sheet = load_workbook(io.BytesIO(b"".join(answer.streaming_content))).active
    assert isinstance(sheet["C2"].value, int | float)


def test_ending_a_month_closes_it_and_makes_a_batch_and_says_so(owner):
    make.plan(make.site(), amount="60.00", starts_on=date(2026, 10, 1))
    page = owner.post(reverse("end_of_month"), {"month": "2026-10"}, follow=True)
    assert "Closed Oct 2026." in body(page)
    file = owner.get(reverse("invoice_batch_file", args=[InvoiceBatch.objects.get().pk]))
    again = owner.get(reverse("invoice_batch_file", args=[InvoiceBatch.objects.get().pk]))
    assert file.content == again.content
    page = owner.post(reverse("end_of_month"), {"month": "2026-11"}, follow=True)
    assert "2026-11 is not over yet" in body(page)
    assert "Choose a month" in body(owner.post(reverse("end_of_month"), {"month": "soon"}, follow=True))


def test_a_branch_sees_only_its_own_money(client):
    here, there = make.branch(), make.branch()
    make.plan(make.site(branch=here), amount="60.00")
    make.plan(make.site(branch=there), amount="30.00")
    client.force_login(make.person("owner", branch=here))
    assert client.get(address("owner_bridge")).context["found"].total.end == Decimal("60.00")
    assert client.get(address("owner_risk")).context["risk"].monthly == Decimal("60.00")
    assert client.get(address("owner_forecast")).context["found"].months[0]["recurring"] == Decimal("60.00")


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_page_asks_fewer_than_ten_questions_however_many_sites_there_are(
    owner, name, django_assert_max_num_queries
):
    for _ in range(4):
        unit = make.whole_unit()
        make.plan(unit.site, visit_every_months=6)
        due(unit, "carbon", -5)
        due(unit, "membrane", 100, limits={"oxidant_exposure": {"wear": 0.2, "wear_per_day": 0.002}})
        closed_stop(unit, make.technician(), minutes=20)
    # A file is noted in the audit trail: one question more than the page.
    with django_assert_max_num_queries(10 if name.endswith("_file") else 9):
        assert body(owner.get(address(name)))
