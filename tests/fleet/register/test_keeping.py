"""Acts on the register: what each keeps and tells, what it refuses, and two people at one thing."""

from datetime import date, timedelta

import pytest

from fleet.models import AuditEntry, Customer, FormerCustomer, Part, TreatmentUnit, UnitModel, UnitStay
from fleet.people.audit import Actor
from fleet.register import catalogue, customers, rows, sites, units
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
TODAY = make.TODAY


@pytest.fixture
def actor():
    return Actor(make.person("planner"), make.NOW)


@pytest.fixture
def model(actor):
    catalogue.add_examples(actor=actor)
    return UnitModel.objects.get(code="EX-S")


def told(about):
    return [f"{one.what}: {one.detail}" for one in AuditEntry.objects.filter(about=about).order_by("pk")]


@pytest.mark.parametrize("code", ["zz 1", "ZZ-1", "Zz1"])
def test_a_code_that_looks_like_another_is_refused_and_nothing_kept(actor, code):
    customers.add_customer(name="Amber Bakery (invented)", code="ZZ1", actor=actor)
    with pytest.raises(DomainError, match="ZZ1") as refused:
        customers.add_customer(name="Another (invented)", code=code, actor=actor)
    assert refused.value.field == "code"
    assert Customer.objects.count() == 1


def test_a_change_tells_old_and_new_and_an_e_mail_can_be_cleared(actor):
    customer = make.customer(email="old@example.invalid")
    customers.change_customer(customer, email="", billing_address="1 High Street", actor=actor)
    customer.refresh_from_db()
    assert customer.email == ""
    assert told(customer.code) == [
        "customer changed: email: old@example.invalid → ; billing_address:  → 1 High Street"
    ]
    customers.change_customer(customer, email="", actor=actor)
    assert len(told(customer.code)) == 1, "what stands already is no change"


def test_the_second_of_two_people_is_told_what_changed_and_what_they_did_apart_is_kept_both(actor):
    site = make.site(access_note="Ring.", address="1 Mill Road")
    seen = {"access_note": "Ring.", "address": "1 Mill Road"}
    sites.change_site(site, access_note="Ring twice.", address="1 Mill Road", seen=seen, actor=actor)
    with pytest.raises(rows.Overtaken, match="Ring twice") as refused:
        sites.change_site(site, access_note="Knock.", address="2 Mill Road", seen=seen, actor=actor)
    assert refused.value.now == {"access_note": "Ring twice."}
    site.refresh_from_db()
    assert (site.access_note, site.address) == ("Ring twice.", "1 Mill Road")
    sites.change_site(site, access_note="Ring.", address="2 Mill Road", seen=seen, actor=actor)
    site.refresh_from_db()
    assert (site.access_note, site.address) == ("Ring twice.", "2 Mill Road")


@pytest.mark.parametrize(
    ("given", "field"),
    [({"latitude": 0.0, "longitude": 0.0}, "latitude"),
     ({"latitude": 91.0, "longitude": 10.0}, "latitude"), ({"latitude": 41.0}, "longitude"),
     ({"latitude": 41.0, "longitude": -181.0}, "longitude"), ({"time_zone": "Mars/Crater"}, "time_zone")],
)  # fmt: skip
def test_a_place_off_the_earth_is_refused(actor, given, field):
    with pytest.raises(DomainError) as refused:
        sites.add_site(name="Here", customer=make.customer(), branch=make.branch(), actor=actor, **given)
    assert refused.value.field == field
    assert refused.value.remedy


def test_a_site_closes_when_its_day_comes_and_reopens_the_same_way(actor):
    site = make.site()
    sites.close_site(site, from_on=TODAY + timedelta(days=3), actor=actor)
    site.refresh_from_db()
    assert not site.is_closed
    assert sites.keep_closings(now=make.NOW + timedelta(days=2)) == 0
    assert sites.keep_closings(now=make.NOW + timedelta(days=3)) == 1
    site.refresh_from_db()
    assert site.is_closed
    later = Actor(actor.person, make.NOW + timedelta(days=4))
    sites.reopen_site(site, from_on=TODAY + timedelta(days=9), actor=later)
    assert sites.keep_closings(now=make.NOW + timedelta(days=9)) == 1
    site.refresh_from_db()
    assert (site.is_closed, site.closed_on, site.reopens_on) == (False, None, None)


def test_merged_customers_are_one_with_all_sites_and_both_codes_lead_there(actor):
    into = make.customer(name="Amber Bakery (invented)", phone="")
    double = make.customer(name="Amber bakery", phone="555-0100")
    sites_of_both = [make.site(customer=into), make.site(customer=double)]
    customers.merge_customers(double, into=into, actor=actor)
    into.refresh_from_db()
    double.refresh_from_db()
    assert {site.code for site in into.sites.all()} == {site.code for site in sites_of_both}
    assert (into.phone, double.merged_into) == ("555-0100", into)
    with pytest.raises(DomainError, match="merged already"):
        customers.merge_customers(double, into=into, actor=actor)


def test_customers_with_sites_of_one_name_are_not_merged(actor):
    into, double = make.customer(), make.customer()
    make.site(customer=into, name="High Street")
    kept = make.site(customer=double, name="high street")
    with pytest.raises(DomainError, match="high street"):
        customers.merge_customers(double, into=into, actor=actor)
    kept.refresh_from_db()
    assert kept.customer == double


def test_a_site_taken_over_remembers_whose_it_was(actor):
    site, new = make.site(), make.customer()
    former = site.customer
    sites.take_over_site(site, customer=new, from_on=TODAY, actor=actor, seen_customer=former.pk)
    assert FormerCustomer.objects.get(site=site).customer == former
    with pytest.raises(rows.Overtaken):
        sites.take_over_site(
            site, customer=make.customer(), from_on=TODAY, actor=actor, seen_customer=former.pk
        )
    with pytest.raises(DomainError, match="not come yet"):
        sites.take_over_site(
            site, customer=former, from_on=TODAY + timedelta(days=1), actor=actor, seen_customer=new.pk
        )


def test_a_unit_from_a_model_has_its_positions_and_usual_parts(actor, model):
    site = make.site()
    unit = units.add_unit(
        site=site, serial="TU-1", unit_model=model, commissioned_on=date(2026, 1, 5), actor=actor
    )
    assert [one.code for one in unit.positions.all()] == ["sediment", "carbon", "membrane", "post-carbon"]
    assert unit.design_permeate_gpm == model.design_permeate_gpm
    parts = Part.objects.in_place().filter(treatment_unit=unit)
    assert {part.kind.code for part in parts} == {"EX-SED-S", "EX-CAR-S", "EX-MEM-S", "EX-POST"}
    assert {part.installed_at.date() for part in parts} == {date(2026, 1, 5)}
    waiting = units.add_unit(site=site, serial="TU-2", unit_model=model, actor=actor)
    assert waiting.is_out_of_service
    assert not Part.objects.filter(treatment_unit=waiting).exists()
    units.commission_unit(waiting, on=TODAY, actor=actor)
    waiting.refresh_from_db()
    assert (waiting.is_out_of_service, waiting.commissioned_on) == (False, TODAY)
    assert Part.objects.in_place().filter(treatment_unit=waiting).count() == 4


def test_a_retired_unit_keeps_its_history_and_the_retirement_can_be_taken_back(actor):
    part = make.part(make.position(make.treatment_unit(), "carbon", 1))
    unit = part.treatment_unit
    units.retire_unit(unit, on=TODAY, because="Leaks beyond repair.", actor=actor)
    unit.refresh_from_db()
    part.refresh_from_db()
    assert (unit.retired_on, unit.is_out_of_service) == (TODAY, True)
    assert (part.removal_reason, part.removed_at) == ("early", make.NOW)
    with pytest.raises(DomainError, match="was retired"):
        units.retire_unit(unit, on=TODAY, because="Again.", actor=actor)
    units.take_retirement_back(unit, actor=actor)
    unit.refresh_from_db()
    assert (unit.retired_on, unit.is_out_of_service) == (None, True)


@pytest.mark.parametrize("serial", ["TU-2", "tu-2", "TU 2"])
def test_a_swap_with_a_serial_that_is_there_is_refused_and_the_old_unit_stays(actor, serial):
    old = make.treatment_unit(serial="TU-1")
    make.treatment_unit(serial="TU-2")
    with pytest.raises(DomainError, match="TU-2") as refused:
        units.swap_unit(old, serial=serial, on=TODAY, actor=actor)
    assert refused.value.field == "serial"
    old.refresh_from_db()
    assert old.retired_on is None


def test_a_swap_begins_new_lives_of_the_same_kinds_in_the_same_place(actor):
    old = make.whole_unit(serial="TU-1")
    new = units.swap_unit(old, serial="TU-9", on=TODAY, actor=actor)
    old.refresh_from_db()
    assert old.retired_on == TODAY
    assert (new.site, new.label, new.replaces.old) == (old.site, old.label, old)
    kinds = {part.kind for part in Part.objects.filter(treatment_unit=old)}
    fresh = Part.objects.in_place().filter(treatment_unit=new)
    assert {part.kind for part in fresh} == kinds
    assert {part.installed_at for part in fresh} == {make.NOW}
    assert new.meters.get().measure == old.meters.get().measure
    assert old.meters.get().removed_at == make.NOW


def test_a_moved_unit_takes_its_history_along_and_the_site_keeps_that_it_stood_there(actor):
    unit = make.whole_unit()
    former, to = unit.site, make.site()
    readings, count = unit.performance_readings.count(), unit.parts.count()
    units.move_unit(unit, to=to, on=TODAY, actor=actor, seen_site=former.pk)
    unit.refresh_from_db()
    assert unit.site == to
    assert (unit.performance_readings.count(), unit.parts.count()) == (readings, count)
    stay = UnitStay.objects.get(treatment_unit=unit)
    assert (stay.site, stay.from_on, stay.until_on) == (former, unit.commissioned_on, TODAY)
    with pytest.raises(rows.Overtaken):
        units.move_unit(unit, to=make.site(), on=TODAY, actor=actor, seen_site=former.pk)


def test_a_unit_is_not_moved_to_a_closed_site_nor_before_it_was_there(actor):
    unit = make.treatment_unit()
    with pytest.raises(DomainError, match="closed"):
        units.move_unit(unit, to=make.site(is_closed=True), on=TODAY, actor=actor, seen_site=unit.site_id)
    for on in (TODAY + timedelta(days=1), unit.commissioned_on - timedelta(days=1)):
        with pytest.raises(DomainError) as refused:
            units.move_unit(unit, to=make.site(), on=on, actor=actor, seen_site=unit.site_id)
        assert refused.value.field == "on"
    assert not UnitStay.objects.exists()


def test_a_model_is_made_of_a_unit_and_a_kind_in_use_stays_a_membrane(actor):
    unit = make.whole_unit()
    model = catalogue.model_from_unit(unit, code="OWN-1", name="Our usual (invented)", actor=actor)
    kinds = [one.usual_kind for one in model.positions.all()]
    assert kinds == [part.kind for part in unit.parts.order_by("position__order")]
    membrane = next(kind for kind in kinds if kind.role == "membrane")
    with pytest.raises(DomainError, match="become a membrane"):
        catalogue.change_part_kind(membrane, role="carbon", membrane_type="", actor=actor)


def test_a_position_that_held_a_part_stays(actor):
    unit = make.treatment_unit()
    make.part(make.position(unit, "carbon", 1))
    make.position(unit, "spare", 2)
    with pytest.raises(DomainError, match="carbon"):
        units.change_positions(unit, [{"code": "spare", "water": "feed"}], actor=actor)
    units.change_positions(
        unit, [{"code": "sediment", "water": "feed"}, {"code": "carbon", "water": "feed"}], actor=actor
    )
    assert [one.code for one in TreatmentUnit.objects.get(pk=unit.pk).positions.all()] == [
        "sediment",
        "carbon",
    ]
