"""Addresses become places: by town, by hand, looked at before they are believed; each for whom they are."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection
from django.urls import reverse

from fleet.models import AuditEntry, Site, SitePlace
from fleet.register import places
from fleet.register.gazetteer import distance_km, nearest, spot_of
from scheduling.pages.maps import FlatMap, TileMap
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
AMES = (42.03, -93.62)
"""Ames, Iowa: 42°02′ N 93°37′ W, U.S. Census Bureau Gazetteer; value from memory."""


def unplaced(address="12 Quarry Lane, Ames, IA", **given):
    return make.site(**{"latitude": None, "longitude": None, "address": address, "area": ""} | given)


@pytest.mark.parametrize(
    "address",
    [
        "12 Quarry Lane, Ames, IA 50010",
        "12 Quarry Lane, Ames, IA",
        "12 Quarry Lane, Ames",
        "12 Quarry Ln, Ames IA 50010-1234",
    ],
)
def test_an_address_is_found_by_its_postal_code_or_town(address):
    spot = spot_of(address, near=(41.6, -93.6))
    assert distance_km((spot.latitude, spot.longitude), AMES) < 8
    assert 1_000 < spot.accuracy_m < 30_000


def test_a_house_number_is_no_postal_code_and_an_unknown_town_is_none():
    spot = spot_of("90210 Main Street, Ames, IA")
    assert spot.state == "IA"
    assert spot_of("12 Nowhere Lane, Qqwwzz") is None
    assert spot_of("") is None


def test_of_towns_of_one_name_the_address_s_state_counts_then_the_nearest():
    assert spot_of("1 High Street, Springfield, IL").state == "IL"
    assert spot_of("1 High Street, Springfield", near=(37.2, -93.3)).state == "MO"


def test_great_circle_agrees_with_a_known_way():
    # Des Moines to Iowa City, 173.9 km by the haversine formula; as the tests of maps have it.
    assert distance_km((41.59, -93.62), (41.66, -91.53)) == pytest.approx(173.9, rel=0.01)
    assert nearest(30.0, -40.0) is None
    assert nearest(*AMES).name == "Ames"


@pytest.mark.parametrize(
    ("latitude", "longitude", "said"),
    [
        (42.0, None, "longitude is missing"), (None, -93.0, "latitude is missing"), (0, 0, "Gulf of Guinea"),
        (-93.6, 42.0, "no place on earth"), (30.0, -40.0, "in the sea"),
    ],
)  # fmt: skip
def test_an_impossible_or_unlikely_place_is_refused_with_a_remedy(latitude, longitude, said):
    site = unplaced()
    with pytest.raises(DomainError, match=said) as refused:
        places.place_site(site, latitude=latitude, longitude=longitude, source="typed", by=None, now=NOW)
    assert str(refused.value.remedy)
    assert not SitePlace.objects.exists()


def test_exchanged_coordinates_are_asked_about_where_the_exchange_fits_and_kept_when_sure():
    # Barcelona, 41.39° N 2.17° E, for a depot there; exchanged it lies off Africa.
    site = unplaced("1 Carrer, Nowhere", branch=make.branch(latitude=41.39, longitude=2.17))
    with pytest.raises(DomainError, match="look exchanged"):
        places.place_site(site, latitude=2.17, longitude=41.39, source="typed", by=None, now=NOW)
    places.place_site(site, latitude=2.17, longitude=41.39, source="typed", by=None, now=NOW, is_sure=True)
    assert Site.objects.get(pk=site.pk).latitude == 2.17


def test_all_of_a_branch_are_placed_by_town_once_and_can_be_planned_and_are_marked(client):
    branch, other = make.branch(), make.branch()
    mine, nowhere, theirs = unplaced(branch=branch), unplaced("Qqwwzz", branch=branch), unplaced(branch=other)
    client.force_login(make.person("planner", branch=branch))
    page = client.get(reverse("places")).content.decode()
    assert "Ames IA" in page
    assert "No town or postal code is known in its address" in page
    client.post(reverse("places"))
    client.post(reverse("places"))
    placed = Site.objects.get(pk=mine.pk)
    assert distance_km((placed.latitude, placed.longitude), AMES) < 8
    assert placed.is_place_to_confirm
    assert [Site.objects.get(pk=one.pk).latitude for one in (nowhere, theirs)] == [None, None]
    assert AuditEntry.objects.filter(about=mine.code).count() == 1
    assert "Place to be confirmed" in client.get(reverse("site_page", args=[mine.code])).content.decode()
    assert "1 site has no place" in client.get(reverse("proposals")).content.decode()


def test_a_rough_place_is_confirmed_as_it_is_or_by_better_coordinates_from_any_door(client):
    site = unplaced()
    places.place_by_town(sites=Site.objects.filter(pk=site.pk), by=None, now=NOW)
    client.force_login(make.person("planner"))
    address = reverse("place_of_site", args=[site.code])
    assert "The circle holds it nearly surely" in client.get(address).content.decode()
    client.post(address, {"confirm": "1"})
    assert not Site.objects.get(pk=site.pk).is_place_to_confirm
    SitePlace.objects.update(confirmed_at=None)
    assert places.to_confirm(None).count() == 1
    Site.objects.filter(pk=site.pk).update(latitude=42.0301)
    assert not Site.objects.get(pk=site.pk).is_place_to_confirm
    assert places.to_confirm(None).count() == 0


def test_a_typed_place_is_kept_or_refused_beside_its_field(client):
    site = unplaced()
    client.force_login(make.person("planner"))
    address = reverse("place_of_site", args=[site.code])
    refused = client.post(address, {"latitude": "30", "longitude": "-40", "source": "typed"})
    assert refused.status_code == 422
    assert "it may be in the sea" in refused.content.decode()
    client.post(address, {"latitude": "42.031", "longitude": "-93.612", "source": "map"})
    kept = SitePlace.objects.get(site=site)
    assert (kept.latitude, kept.longitude, kept.source) == (42.031, -93.612, "map")
    assert kept.confirmed_at


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("24 Sussex Drive, K1A 0B1", "K1A 0B1 is no postal code of US"),
        # 75006 is Paris' in France and Carrollton's in Texas.
        ("1 Rue de la Paix, 75006", "Far from its depot"),
    ],
)
def test_a_postal_code_of_another_country_is_told_and_nothing_is_placed_by_it(client, address, said):
    site = unplaced(address, branch=make.branch(latitude=AMES[0], longitude=AMES[1]))
    client.force_login(make.person("planner"))
    assert said in client.get(reverse("places")).content.decode()
    client.post(reverse("places"))
    assert Site.objects.get(pk=site.pk).latitude is None


@pytest.mark.parametrize(
    ("latitude", "longitude", "said", "remedy"),
    [
        ("0", "0", "Gulf of Guinea", "give the true place"),
        ("2.17", "41.39", "look exchanged", "Write 41.39, 2.17"),
        ("30", "-40", "it may be in the sea", "Check the signs"),
    ],
)
def test_coordinates_that_can_hardly_be_are_refused_over_http_with_a_remedy(
    client, latitude, longitude, said, remedy
):
    # Barcelona, 41.39° N 2.17° E, for a depot there.
    site = unplaced("1 Carrer, Nowhere", branch=make.branch(latitude=41.39, longitude=2.17))
    client.force_login(make.person("planner"))
    sent = {"latitude": latitude, "longitude": longitude, "source": "typed"}
    page = client.post(reverse("place_of_site", args=[site.code]), sent)
    assert page.status_code == 422
    assert said in page.content.decode()
    assert remedy in page.content.decode()
    assert not SitePlace.objects.exists()


def test_who_may_not_change_the_fleet_places_nothing_and_no_other_branch_is_reached(client):
    site = unplaced()
    address = reverse("place_of_site", args=[site.code])
    sent = {"latitude": "42.031", "longitude": "-93.612", "source": "map"}
    for role, status in (("technician", 403), ("integrator", 403)):
        client.force_login(make.person(role))
        assert client.post(address, sent).status_code == status
        assert client.post(reverse("places")).status_code == status
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.post(address, sent).status_code == 404
    assert not SitePlace.objects.exists()


@pytest.mark.parametrize(
    "drawing",
    [
        FlatMap([(41.0, -93.0), (42.0, -92.0)]),
        TileMap([(41.0, -93.0), (42.0, -92.0)], "https://t.example/{z}/{x}/{y}"),
    ],
)
def test_a_point_of_a_map_leads_back_to_its_place(drawing):
    assert drawing.place_at(*drawing.at(41.3, -92.4)) == pytest.approx((41.3, -92.4), abs=0.001)


@pytest.mark.django_db(transaction=True)
def test_two_who_place_the_same_sites_at_once_place_each_once():
    sites = [unplaced().pk for _ in range(4)]

    def place(_):
        try:
            return places.place_by_town(sites=Site.objects.filter(pk__in=sites), by=None, now=NOW)
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        assert sum(pool.map(place, range(2))) == 4
    assert AuditEntry.objects.filter(about__in=Site.objects.values("code")).count() == 4
