"""The register in pages: each act from where a person looks, errors beside fields, two people at one site."""

import re
from datetime import date, timedelta

import pytest
from django.urls import reverse

from fleet.models import (
    AuditEntry,
    Branch,
    Customer,
    Flush,
    MeterReading,
    Part,
    PartKind,
    Site,
    TreatmentUnit,
    UnitModel,
)
from fleet.people.audit import Actor
from fleet.register import catalogue, units
from scheduling.models import AccessHours, PlanPrice, WorkOrder
from scheduling.register.walk import draft_of
from scheduling.register.walk_views import UNITS_AT_FIRST
from shared.roles import Role
from tests import factories as make

pytestmark = pytest.mark.django_db
TODAY = make.TODAY


@pytest.fixture(autouse=True)
def _standing_clock(time_machine):
    time_machine.move_to(make.NOW, tick=False)


@pytest.fixture
def planner(client):
    person = make.person("planner")
    client.force_login(person)
    return person


@pytest.fixture
def model(planner):
    catalogue.add_examples(actor=Actor(planner, make.NOW))
    return UnitModel.objects.get(code="EX-S")


def fields_of(page):
    """What a browser would send back of a page: its first form that posts more than its token."""
    text = page.content.decode()
    form = next(
        part
        for part in re.findall(r'<form[^>]*method="post".*?</form>', text, re.S)
        if part.count("name=") > 1 and "log-out" not in part
    )
    found = {}
    for tag in re.findall(r"<input[^>]*>", form):
        name = re.search(r'name="([^"]+)"', tag)
        if name and not ('type="checkbox"' in tag and "checked" not in tag):
            value = re.search(r'value="([^"]*)"', tag)
            found[name[1]] = value[1] if value else "on" if 'type="checkbox"' in tag else ""
    for name, inner in re.findall(r'<textarea[^>]*name="([^"]+)"[^>]*>\n?(.*?)</textarea>', form, re.S):
        found[name] = inner
    for name, inner in re.findall(r'<select[^>]*name="([^"]+)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'value="([^"]*)" selected', inner) or re.search(r'value="([^"]*)"', inner)
        found[name] = chosen[1] if chosen else ""
    found.pop("csrfmiddlewaretoken", None)
    return found


def send(client, address, **typed):
    """Open a page, type, press its button."""
    return client.post(address, fields_of(client.get(address)) | typed)


def test_a_site_is_changed_and_what_stands_already_is_not_told(client, planner):
    site = make.site()
    answer = send(client, reverse("change_site", args=[site.code]), access_note="Ring twice.")
    assert answer.status_code == 302
    assert AuditEntry.objects.get().detail == "access_note:  → Ring twice."


def test_the_second_of_two_editors_sees_what_changed_and_chooses(client, planner):
    site = make.site(access_note="Ring.")
    address = reverse("change_site", args=[site.code])
    mine = fields_of(client.get(address))
    send(client, address, access_note="Ring twice.")
    answer = client.post(address, mine | {"access_note": "Knock."})
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "was changed meanwhile" in page
    assert "Ring twice." in page
    assert 'value="Knock."' in page, "what was typed is not lost"
    site.refresh_from_db()
    assert site.access_note == "Ring twice."
    assert client.post(address, fields_of(answer)).status_code == 302
    site.refresh_from_db()
    assert site.access_note == "Knock."


def test_a_customers_e_mail_is_cleared_and_contacts_kept(client, planner):
    customer = make.customer(email="x@example.invalid")
    contact = {"contacts-0-name": "Ada Brook (invented)", "contacts-0-task": "keys"}
    send(client, reverse("change_customer", args=[customer.code]), email="", **contact)
    customer.refresh_from_db()
    assert customer.email == ""
    page = client.get(reverse("customer_page", args=[customer.code])).content.decode()
    assert "Ada Brook" in page
    send(
        client,
        reverse("change_customer", args=[customer.code]),
        **{"contacts-0-name": "", "contacts-0-task": ""},
    )
    assert not customer.contacts.exists()


@pytest.mark.parametrize(
    ("act", "typed", "sees"),
    [
        ("retire_unit", {"because": "Leaks."}, "Retired on"),
        ("swap_unit", {"serial": "TU-9"}, "took its place"),
    ],
)
def test_a_unit_is_retired_or_swapped_in_two_presses(client, planner, act, typed, sees):
    unit = make.whole_unit(serial="TU-1")
    page = client.get(reverse("treatment_unit", args=["TU-1"])).content.decode()
    address = reverse(act, args=["TU-1"])
    assert f'href="{address}"' in page
    assert "What this does" in client.get(address).content.decode()
    assert send(client, address, **typed).status_code == 302
    unit.refresh_from_db()
    assert unit.retired_on == make.NOW.astimezone().date()
    assert sees in client.get(reverse("treatment_unit", args=["TU-1"])).content.decode()
    assert "TU-1" not in client.get(reverse("fleet_list")).content.decode()


def test_a_move_shows_what_it_does_before_it_is_kept(client, planner):
    unit, to = make.whole_unit(serial="TU-1"), make.site(name="Mill Road")
    address = reverse("move_unit", args=["TU-1"])
    page = client.get(address).content.decode()
    assert '<input type="text" name="to" list="offered"' in page
    assert f'<option value="{to.code}">Mill Road' in page
    look = send(client, address, to="mill road")
    assert "keeps on its page that TU-1 stood there" in look.content.decode()
    unit.refresh_from_db()
    assert unit.site != to
    assert client.post(address, fields_of(look) | {"do": "keep"}).status_code == 302
    unit.refresh_from_db()
    assert unit.site == to
    assert "TU-1" in client.get(reverse("site_page", args=[to.code])).content.decode()


def test_a_move_to_another_depots_site_is_refused_to_who_sees_one_depot(client):
    unit, foreign = make.treatment_unit(), make.site()
    client.force_login(make.person("planner", branch=unit.site.branch))
    answer = send(client, reverse("move_unit", args=[unit.serial]), to=foreign.code, do="keep")
    assert answer.status_code == 422
    assert "that you may choose" in answer.content.decode()
    for name, code in (("change_site", foreign.code), ("customer_page", foreign.customer.code)):
        assert client.get(reverse(name, args=[code])).status_code == 404
    mine = make.site(branch=unit.site.branch, customer=foreign.customer)
    assert client.get(reverse("customer_page", args=[mine.customer.code])).status_code == 200
    assert client.get(reverse("merge_customers", args=[mine.customer.code])).status_code == 404


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.INTEGRATOR])
def test_who_may_not_change_the_fleet_changes_nothing_here(client, role):
    unit = make.whole_unit(serial="TU-1")
    client.force_login(make.person(role.value))
    for name in ("change_unit", "retire_unit", "swap_unit", "move_unit"):
        assert client.get(reverse(name, args=["TU-1"])).status_code == 403
    assert client.post(reverse("change_site", args=[unit.site.code]), {"name": "x"}).status_code == 403


def test_a_part_is_replaced_put_in_and_taken_out_by_hand(client, planner):
    unit = make.treatment_unit(serial="TU-1", site=make.site(time_zone="UTC"))
    old = make.part(make.position(unit, "carbon", 1))
    address = reverse("change_part", args=["TU-1", "carbon"])
    send(client, address, at="2026-11-01T09:00", reason="worn", lot="L-7")
    new = Part.objects.in_place().get(treatment_unit=unit)
    assert (new.lot, new.kind) == ("L-7", old.kind)
    assert send(client, address, at="2026-11-09T09:00", reason="worn").status_code == 422
    send(client, address, at="2026-11-01T10:00", reason="failed", kind="")
    assert not Part.objects.in_place().filter(treatment_unit=unit).exists()
    assert send(client, address, at="2026-11-01T09:30", kind=old.kind_id).status_code == 422
    assert send(client, address, at="2026-11-01T10:00", kind=old.kind_id).status_code == 302


def test_a_planner_changes_a_kind_but_neither_sees_nor_loses_its_cost(client, planner):
    kind = make.part_kind()
    address = reverse("change_part_kind", args=[kind.code])
    assert "cost" not in fields_of(client.get(address))
    assert send(client, address, rated_months="9").status_code == 302
    changed = PartKind.objects.get(pk=kind.pk)
    assert (changed.rated_months, changed.cost, changed.rated_gal) == (9, kind.cost, kind.rated_gal)


def test_a_metric_person_changes_one_figure_and_no_other_by_rounding(client):
    unit = make.treatment_unit(design_permeate_gpm=0.35)
    client.force_login(make.person("owner", measure_system="metric"))
    address = reverse("change_unit", args=[unit.serial])
    assert fields_of(client.get(address))["design_permeate_gpm"] == "1.32489"
    send(client, address, design_use_gal_per_day="100")
    unit.refresh_from_db()
    assert unit.design_permeate_gpm == 0.35
    assert unit.design_use_gal_per_day == pytest.approx(100 / 3.785411784)


def test_what_a_unit_is_made_of_is_said_on_its_page_and_comes_with_its_model(client, model):
    unit = make.treatment_unit()
    client.force_login(make.person("owner"))
    address = reverse("change_unit", args=[unit.serial])
    assert send(client, address, has_pump="true", has_tank="false").status_code == 302
    unit.refresh_from_db()
    assert (unit.has_pump, unit.has_tank, unit.has_uv) == (True, False, None)
    page = client.get(reverse("treatment_unit", args=[unit.serial])).content.decode()
    assert "Pump: yes, Storage tank: no, Softener: not said" in page
    assert send(client, address, has_pump="unknown").status_code == 302
    unit.refresh_from_db()
    assert unit.has_pump is None
    new = units.add_unit(
        site=unit.site, serial="NEW-1", unit_model=model, actor=Actor(None, make.NOW),
        commissioned_on=make.TODAY,
    )  # fmt: skip
    assert (new.has_pump, new.has_uv, new.has_softener) == (True, False, False)


def walk(model, **typed):
    return {
        "name": "Amber Bakery (invented)", "phone": "555-0100", "address": "1 High Street",
        "units-TOTAL_FORMS": "2", "units-INITIAL_FORMS": "0",
        "units-0-serial": "TU-1", "units-0-unit_model": str(model.pk),
        "units-1-serial": "TU-2", "units-1-unit_model": str(model.pk), "units-1-is_running": "on",
        "units-1-running_since": "2026-03-02", "units-1-meter_total": "4200", "units-1-meter_measure": "gal",
        "do": "take_in",
    } | typed  # fmt: skip


def test_a_new_customer_is_taken_in_with_all_of_it(client, planner, model):
    make.branch()
    more = {
        "branch": str(make.branch().pk), "weekdays": ["0", "2"], "opens_at": "08:00", "closes_at": "16:30",
        "plan_name": "Full care", "plan_price": "60.00", "plan_interval": "month",
        "plan_starts_on": "2026-11-01", "visit_from": "2026-11-04", "visit_to": "2026-11-06",
    }  # fmt: skip
    answer = client.post(reverse("new_customer"), walk(model, **more))
    customer = Customer.objects.get()
    assert answer.headers["Location"] == reverse("customer_page", args=[customer.code])
    waiting, running = TreatmentUnit.objects.order_by("serial")
    assert (waiting.is_out_of_service, running.is_out_of_service) == (True, False)
    order = WorkOrder.objects.get()
    assert (order.treatment_unit, order.window_from) == (waiting, date(2026, 11, 4))
    assert order.needed_parts.count() == 4
    assert running.parts.count() == 4
    # In for eight months and in use: nobody is sent to flush what was flushed then.
    flushed = set(Flush.objects.filter(ran_clear=True).values_list("part", flat=True))
    assert flushed == set(running.parts.filter(kind__needs_flush=True).values_list("pk", flat=True)) != set()
    assert MeterReading.objects.get().total == 4200
    assert PlanPrice.objects.get().plan.site == waiting.site
    assert AccessHours.objects.filter(site=waiting.site).count() == 2
    for name, key in (("customer_page", customer.code), ("site_page", waiting.site.code)):
        assert client.get(reverse(name, args=[key])).status_code == 200


def test_what_went_in_lately_still_owes_its_flush(client, planner, model):
    branch = str(make.branch().pk)
    client.post(
        reverse("new_customer"), walk(model, branch=branch, **{"units-1-running_since": "2026-10-20"})
    )
    assert TreatmentUnit.objects.filter(commissioned_on="2026-10-20").exists()
    assert not Flush.objects.exists()


def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_kept_but_the_draft(client, planner, model):
    make.treatment_unit(serial="TU-2", site=make.site(branch=make.branch(name="North")))
    count = Customer.objects.count()
    answer = client.post(
        reverse("new_customer"), walk(model, **{"plan_name": "Care", "units-1-running_since": "2031-01-01"})
    )
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "There is a treatment unit TU-2 already" in page
    assert "A service plan needs its name, its price and its first day" in page
    mended = client.post(
        reverse("new_customer"),
        walk(
            model,
            branch=str(Branch.objects.get().pk),
            **{"units-1-serial": "TU-3", "units-1-running_since": "2031-01-01"},
        ),
    )
    assert "01 Jan 2031 has not come yet" in mended.content.decode()
    assert Customer.objects.count() == count
    again = client.get(reverse("new_customer")).content.decode()
    assert 'value="Amber Bakery (invented)"' in again
    assert 'value="TU-3"' in again


def test_the_walk_is_left_taken_up_by_its_own_person_only_and_ended(client, planner, model, time_machine):
    client.post(reverse("keep_new_customer"), walk(model))
    assert fields_of(client.get(reverse("new_customer")))["units-1-meter_total"] == "4200"
    client.force_login(make.person("planner"))
    assert fields_of(client.get(reverse("new_customer")))["name"] == ""
    client.force_login(planner)
    more = client.post(reverse("new_customer"), walk(model, do="more"))
    assert more.status_code == 302
    lines = [name for name in fields_of(client.get(reverse("new_customer"))) if name.endswith("-serial")]
    assert len(lines) == UNITS_AT_FIRST + 1
    make.branch()
    shown = fields_of(client.get(reverse("new_customer")))
    time_machine.shift(60)
    client.post(reverse("new_customer"), shown | {"do": "take_in"})
    assert Customer.objects.count() == 1
    assert draft_of(planner) is None
    client.post(reverse("keep_new_customer"), shown)
    assert draft_of(planner) is None, "what an ended page sends late began the walk again"
    time_machine.shift(60)
    client.post(reverse("keep_new_customer"), fields_of(client.get(reverse("new_customer"))) | {"name": "B"})
    assert draft_of(planner).fields["name"] == ["B"]


def test_a_customer_of_the_same_name_is_asked_about_once(client, planner, model):
    make.customer(name="amber bakery (INVENTED)")
    branch = str(make.branch().pk)
    assert client.post(reverse("new_customer"), walk(model, branch=branch)).status_code == 422
    assert (
        client.post(reverse("new_customer"), walk(model, branch=branch, is_another="on")).status_code == 302
    )


def test_the_first_depot_is_made_where_there_is_none(client, planner, model):
    assert client.post(reverse("new_customer"), walk(model)).status_code == 422
    assert client.post(reverse("new_customer"), walk(model, branch_name="North")).status_code == 302
    assert Site.objects.get().branch.name == "North"


def test_merging_is_looked_at_first_and_the_old_address_leads_on(client, planner):
    double, into = make.customer(), make.customer()
    make.site(customer=double)
    address = reverse("merge_customers", args=[double.code])
    look = send(client, address, into=into.code)
    assert "is offered no more" in look.content.decode()
    client.post(address, fields_of(look) | {"do": "keep"})
    answer = client.get(reverse("customer_page", args=[double.code]))
    assert answer.headers["Location"] == reverse("customer_page", args=[into.code])
    assert double.name not in client.get(reverse("customers")).content.decode()


def test_a_closing_to_come_is_told_on_the_sites_page(client, planner):
    site = make.site()
    day = TODAY + timedelta(days=10)
    send(client, reverse("close_site", args=[site.code]), from_on=day.isoformat())
    assert "Closed from" in client.get(reverse("site_page", args=[site.code])).content.decode()
    assert (
        reverse("reopen_site", args=[site.code])
        in client.get(reverse("site_page", args=[site.code])).content.decode()
    )
