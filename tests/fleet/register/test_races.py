"""Two people at one unit, customer or serial at the same moment. On PostgreSQL: SQLite has no row locks."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection

from fleet.models import Customer, Part, TreatmentUnit, UnitStay
from fleet.people.audit import Actor
from fleet.register import customers, units
from shared.errors import DomainError
from tests import factories as make

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgres]


def at_once(*acts):
    """Do all at one moment, each on a connection of its own. Returns what came of each."""
    barrier = Barrier(len(acts))

    def run(act):
        barrier.wait()
        try:
            return act()
        except DomainError as error:
            return error
        finally:
            connection.close()

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(run, acts))


def refused(results):
    errors = [one for one in results if isinstance(one, DomainError)]
    assert all(error.remedy for error in errors)
    return errors


def test_a_unit_moved_twice_at_once_goes_to_one_place_and_the_other_is_told():
    actor = Actor(make.person("planner"), make.NOW)
    unit, one, other = make.treatment_unit(), make.site(), make.site()
    seen = unit.site_id
    results = at_once(*(
        lambda to=to: units.move_unit(unit, to=to, on=make.TODAY, actor=actor, seen_site=seen)
        for to in (one, other)
    ))  # fmt: skip
    (error,) = refused(results)
    unit.refresh_from_db()
    assert "was changed meanwhile" in str(error)
    assert unit.site.code in str(error)
    assert UnitStay.objects.filter(treatment_unit=unit).count() == 1


def test_two_swaps_at_once_leave_one_new_unit():
    actor = Actor(make.person("planner"), make.NOW)
    old = make.treatment_unit()
    make.part(make.position(old, "carbon", 1))
    results = at_once(*(
        lambda serial=serial: units.swap_unit(old, serial=serial, on=make.TODAY, actor=actor)
        for serial in ("NEW-1", "NEW-2")
    ))  # fmt: skip
    assert len(refused(results)) == 1
    assert TreatmentUnit.objects.filter(serial__startswith="NEW").count() == 1
    assert Part.objects.in_place().count() == 1


def test_one_serial_added_twice_at_once_is_one_unit():
    actor = Actor(make.person("planner"), make.NOW)
    site = make.site()
    given = {"design_use_gal_per_day": 20.0, "design_permeate_gpm": 0.4, "actor": actor}
    results = at_once(*[lambda: units.add_unit(site=site, serial="TU-1", **given)] * 2)
    assert len(refused(results)) == 1
    assert TreatmentUnit.objects.count() == 1


def test_two_merges_crosswise_at_once_leave_one_customer():
    actor = Actor(make.person("planner"), make.NOW)
    one, other = make.customer(), make.customer()
    results = at_once(
        lambda: customers.merge_customers(one, into=other, actor=actor),
        lambda: customers.merge_customers(other, into=one, actor=actor),
    )
    assert len(refused(results)) == 1
    assert Customer.objects.filter(merged_into=None).count() == 1
