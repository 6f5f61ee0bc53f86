"""Whoever is at a site keeps its place: offered, measured by the phone, for the own stops only."""

import pytest
from django.urls import reverse

from fleet.models import AuditEntry, Site, SitePlace
from tests import factories as make
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
THERE = {"latitude": "41.012345", "longitude": "-93.054321", "accuracy_m": "9"}


@pytest.fixture
def stop(time_machine):
    time_machine.move_to(NOW, tick=False)
    site = make.site(latitude=41.0, longitude=-93.0)
    SitePlace.objects.create(site=site, latitude=41.0, longitude=-93.0, source="town", placed_at=NOW)
    technician = make.technician(branch=site.branch)
    route = make.route(technician, [make.work_order(make.treatment_unit(site=site))])
    return route.stops.get()


def test_the_phone_s_position_becomes_the_place_when_it_is_sent(client, stop):
    client.force_login(stop.route.technician.person)
    address = reverse("place_of_own_stop", args=[stop.pk])
    assert address in client.get(reverse("day", args=[TODAY.isoformat()])).content.decode()
    page = client.get(address)
    assert "geolocation=(self)" in page["Permissions-Policy"]
    assert "geolocation=()" in client.get(reverse("day"))["Permissions-Policy"]
    client.post(address, THERE)
    kept = SitePlace.objects.get()
    assert (kept.latitude, kept.longitude, kept.accuracy_m, kept.source) == (
        41.012345,
        -93.054321,
        9,
        "phone",
    )
    assert not Site.objects.get().is_place_to_confirm
    client.post(address, THERE | {"latitude": "41.5"})
    assert Site.objects.get().latitude == 41.012345, "a place that is confirmed is not moved from the phone"
    assert AuditEntry.objects.filter(what="site placed").count() == 1


def test_the_place_is_confirmed_as_it_is_and_a_rough_position_is_refused(client, stop):
    client.force_login(stop.route.technician.person)
    address = reverse("place_of_own_stop", args=[stop.pk])
    refused = client.post(address, THERE | {"accuracy_m": "4000"})
    assert "rougher than 1 km" in refused.content.decode()
    assert Site.objects.get().is_place_to_confirm
    client.post(address, {"confirm": "1"})
    assert not Site.objects.get().is_place_to_confirm
    assert Site.objects.get().latitude == 41.0


def test_nobody_else_s_stop_is_reached(client, stop):
    address = reverse("place_of_own_stop", args=[stop.pk])
    client.force_login(make.technician(branch=stop.route.technician.branch).person)
    assert client.post(address, THERE).status_code == 404
    client.force_login(make.person("planner"))
    assert client.post(address, THERE).status_code == 403
    assert Site.objects.get().is_place_to_confirm
