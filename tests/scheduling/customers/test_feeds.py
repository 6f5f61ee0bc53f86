"""Calendars and route files: read back by a library, secrets only hashed, nobody else's days."""

import uuid
import xml.etree.ElementTree as ET
from datetime import timedelta

import icalendar
import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.customers import calendars
from scheduling.models import CalendarFeed, StopOrder
from scheduling.routes import moves, publishing
from tests import factories as make
from tests.scheduling.hands import TUESDAY, crew, plan, spot

pytestmark = pytest.mark.django_db
GPX = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture(autouse=True)
def clock(time_machine):
    time_machine.move_to(make.NOW, tick=False)


def read(client, technician):
    secret = calendars.new_secret(technician, by=None, now=make.NOW)
    return events(client, secret)


def events(client, secret):
    answer = client.get(reverse("calendar_file", args=[secret]))
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    return list(icalendar.Calendar.from_ical(answer.content).walk("VEVENT"))


def test_each_published_visit_is_one_event_at_its_time_in_utc(client):
    branch, people, _orders = crew()
    row = plan(branch, is_published=True)
    for who in people:
        stops = list(row.routes.filter(technician=who).values_list("stops__starts_at", "stops__leaves_at"))
        found = read(client, who)
        assert sorted((one["DTSTART"].dt, one["DTEND"].dt) for one in found) == sorted(stops)
        for one in found:
            assert one["DTSTART"].dt.utcoffset() == timedelta(0)
            assert one["DTSTAMP"].dt.utcoffset() == timedelta(0)
            uuid.UUID(one["UID"])


def test_what_is_only_proposed_is_not_in_the_calendar(client):
    branch, people, _ = crew()
    plan(branch)
    assert read(client, people[0]) == []


def test_the_file_keeps_the_letter_of_the_standard(client):
    # RFC 5545, 3.1: lines end with CRLF and hold at most 75 octets; 3.6: PRODID and VERSION are required.
    branch, _people, orders = crew()
    site = orders[0].site
    site.address = "Åsgård, " + "a long address; with, commas and ü " * 5 + "."
    site.save()
    row = plan(branch, is_published=True)
    secret = calendars.new_secret(spot(row, orders[0])[0], by=None, now=make.NOW)
    body = client.get(reverse("calendar_file", args=[secret])).content
    assert body.endswith(b"END:VCALENDAR\r\n")
    assert body.replace(b"\r\n", b"").count(b"\n") == 0
    assert max(len(line) for line in body.split(b"\r\n")) <= 75
    for wanted in (b"VERSION:2.0", b"PRODID:", b"UID:", b"DTSTAMP:", b"SEQUENCE:"):
        assert b"\r\n" + wanted in body
    event = next(one for one in events(client, secret) if site.name in one["SUMMARY"])
    assert event["LOCATION"] == site.address


def test_names_stay_and_sequence_grows_when_a_visit_moves_and_over_a_new_address(client):
    branch, people, orders = crew(people=1)
    row = plan(branch, is_published=True)
    link = StopOrder.objects.get(order=orders[0], is_in_force=True)
    before = {one["UID"]: one for one in read(client, people[0])}
    own = next(one for one in before.values() if one["SUMMARY"].startswith(orders[0].site.name + ":"))
    other_day = TUESDAY + timedelta(days=1) if link.stop.route.day == TUESDAY else TUESDAY
    moves.keep_move(row, [orders[0]], people[0], other_day, seen=0, by=None, now=make.NOW)
    after = {one["UID"]: one for one in read(client, people[0])}
    assert after.keys() == before.keys()
    assert after[own["UID"]]["DTSTART"].dt.date() != own["DTSTART"].dt.date()
    assert after[own["UID"]]["SEQUENCE"] > own["SEQUENCE"]
    assert all(after[uid]["SEQUENCE"] >= one["SEQUENCE"] for uid, one in before.items())
    publishing.publish(plan(branch), by=None, now=make.NOW)
    again = {one["UID"]: one for one in read(client, people[0])}
    assert all(again[uid]["SEQUENCE"] > after[uid]["SEQUENCE"] for uid in again.keys() & after.keys())


def test_no_money_and_no_telephone_number_leaves_with_the_calendar(client):
    branch, people, orders = crew(people=1)
    for order in orders:
        order.site.customer.phone = "515-555-0143"
        order.site.customer.save()
        order.site.access_note = "Ring 515-555-0177, code 4711"
        order.site.save()
        order.why = "They rang from 515-555-0199: 38.00 USD agreed"
        order.save()
    plan(branch, is_published=True)
    secret = calendars.new_secret(people[0], by=None, now=make.NOW)
    text = client.get(reverse("calendar_file", args=[secret])).content.decode().replace("\r\n ", "")
    assert text.count("BEGIN:VEVENT") == len(orders)
    for kept_back in ("515-555", "code 4711", "38.00", "USD"):
        assert kept_back not in text


def test_only_a_hash_is_kept_and_the_database_refuses_anything_else():
    who = make.technician()
    secret = calendars.new_secret(who, by=None, now=make.NOW)
    assert len(secret) >= 43  # 256 bits in base64
    kept = CalendarFeed.objects.get()
    assert secret not in str(kept.__dict__)
    with pytest.raises(IntegrityError), transaction.atomic():
        CalendarFeed.objects.update(secret_hash=secret)


def test_a_new_address_ends_the_old_one_and_switching_off_ends_both(client):
    who = make.technician()
    old = calendars.new_secret(who, by=None, now=make.NOW)
    new = calendars.new_secret(who, by=None, now=make.NOW)
    assert client.get(reverse("calendar_file", args=[old])).status_code == 404
    assert client.get(reverse("calendar_file", args=[new])).status_code == 200
    calendars.switch_off(who)
    assert client.get(reverse("calendar_file", args=[new])).status_code == 404


def test_somebody_who_has_left_has_no_calendar(client):
    who = make.technician()
    secret = calendars.new_secret(who, by=None, now=make.NOW)
    who.is_active = False
    who.save()
    assert client.get(reverse("calendar_file", args=[secret])).status_code == 404


def test_a_technician_makes_the_own_address_and_no_other(client):
    branch, people, _ = crew()
    plan(branch, is_published=True)
    client.force_login(people[0].person)
    page = client.post(reverse("my_calendar"))
    address = page.context["address"]
    assert address in page.content.decode()
    assert "no-store" in page["Cache-Control"]
    assert list(CalendarFeed.objects.values_list("technician", flat=True)) == [people[0].pk]
    assert address not in client.get(reverse("my_calendar")).content.decode()
    found = icalendar.Calendar.from_ical(client.get(address).content).walk("VEVENT")
    mine = StopOrder.objects.filter(is_in_force=True, stop__route__technician=people[0])
    assert len(list(found)) == mine.values("stop").distinct().count()
    assert client.post(reverse("switch_feed_off", args=[people[1].pk])).status_code == 403


def test_a_planner_switches_a_lost_phone_off_but_is_given_no_address(client):
    who = make.technician()
    secret = calendars.new_secret(who, by=None, now=make.NOW)
    client.force_login(make.person("planner"))
    assert secret not in client.get(reverse("feeds")).content.decode()
    client.post(reverse("switch_feed_off", args=[who.pk]))
    assert client.get(reverse("calendar_file", args=[secret])).status_code == 404


def test_the_number_of_queries_does_not_grow_with_the_days(client):
    counts = []
    for size in (3, 9):
        branch, people, _ = crew(people=1, orders=size)
        plan(branch, is_published=True)
        secret = calendars.new_secret(people[0], by=None, now=make.NOW)
        with CaptureQueriesContext(connection) as counted:
            assert len(events(client, secret)) == size
        counts.append(len(counted))
    assert counts[0] == counts[1]


def test_a_route_as_gpx_has_every_stop_in_order_between_start_and_home(client):
    branch, people, _ = crew(people=1)
    row = plan(branch, is_published=True)
    route = row.routes.first()
    client.force_login(make.person("planner"))
    answer = client.get(reverse("route_gpx", args=[route.pk]))
    root = ET.fromstring(answer.content)
    assert root.tag == GPX + "gpx"
    assert root.get("version") == "1.1"
    points = [(float(p.get("lat")), float(p.get("lon"))) for p in root.iter(GPX + "rtept")]
    home = (people[0].start_latitude, people[0].start_longitude)
    sites = [(stop.site.latitude, stop.site.longitude) for stop in route.stops.select_related("site")]
    assert points == pytest.approx([home, *sites, home], abs=1e-6)


def test_own_route_files_are_the_own_ones(client):
    branch, _people, _orders = crew()
    row = plan(branch, is_published=True)
    route = row.routes.first()
    on = route.day.isoformat()
    client.force_login(route.technician.person)
    found = client.get(reverse("own_geojson", args=[on])).json()
    lines = [one for one in found["features"] if one["geometry"]["type"] == "LineString"]
    assert [one["properties"]["technician"] for one in lines] == [route.technician.name]
    assert client.get(reverse("own_gpx", args=[on])).status_code == 200
    client.force_login(make.technician().person)
    assert client.get(reverse("own_gpx", args=[on])).status_code == 404
    assert client.get(reverse("own_gpx", args=["nonsense"])).status_code == 404
