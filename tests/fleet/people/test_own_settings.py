"""Language, clock and measures as the person set them: own row only, kept, written down, and used."""

from datetime import UTC, datetime

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone, translation

from fleet.models import AuditEntry, Language, Person, PersonRole

pytestmark = pytest.mark.django_db
SET = {"language": "es", "time_zone": "America/Denver", "measure_system": "metric"}


@pytest.fixture
def planner(client):
    person = Person.objects.create(username="ana", role=PersonRole.PLANNER)
    client.force_login(person)
    return person


def test_the_page_keeps_the_own_row_and_no_other(client, planner):
    other = Person.objects.create(username="ben", role=PersonRole.OWNER)
    answer = client.post("/own-settings/", SET)
    assert answer.status_code == 302
    planner.refresh_from_db()
    other.refresh_from_db()
    assert (planner.language, planner.time_zone, planner.measure_system) == tuple(SET.values())
    assert (other.language, other.time_zone, other.measure_system) == ("", "", "us")
    entry = AuditEntry.objects.get()
    assert (entry.by, entry.about, entry.what) == (planner, "ana", "own settings changed")
    assert "language: – → es" in entry.detail
    assert "measure_system: us → metric" in entry.detail


def test_setting_the_same_again_writes_nothing(client, planner):
    for _ in range(2):
        assert client.post("/own-settings/", SET).status_code == 302
    assert AuditEntry.objects.count() == 1


def test_what_makes_no_sense_is_refused_and_nothing_kept(client, planner):
    for wrong in ({"time_zone": "Mars/Olympus"}, {"measure_system": "cubits"}, {"language": "xx"}):
        answer = client.post("/own-settings/", SET | wrong)
        assert answer.status_code == 422
        assert list(answer.context["form"].errors) == list(wrong)
        assert next(iter(wrong.values())) in answer.content.decode()
    with pytest.raises(IntegrityError), transaction.atomic():
        Person.objects.filter(pk=planner.pk).update(language="xx")
    planner.refresh_from_db()
    assert (planner.language, planner.time_zone, planner.measure_system) == ("", "", "us")
    assert not AuditEntry.objects.exists()


@pytest.mark.parametrize(
    ("kept", "asked", "spoken"),
    [
        ("", "", "en"),
        ("", "es-MX,es;q=0.9", "es"),
        ("", "de", "en"),
        ("en", "es", "en"),
        ("es", "en-US", "es"),
    ],
)
def test_the_page_speaks_the_kept_language_else_the_browsers(client, planner, kept, asked, spoken):
    Person.objects.update(language=kept)
    answer = client.get("/own-settings/", headers={"accept-language": asked} if asked else {})
    assert f'<html lang="{spoken}">' in answer.content.decode()
    assert answer.headers["Content-Language"] == spoken


def test_programs_are_answered_in_english(client, planner):
    Person.objects.update(**SET)
    for address in ("/healthz", "/api/sites", "/api/nothing-here"):
        answer = client.get(address, headers={"accept-language": "es"})
        assert answer.headers["Content-Language"] == "en", address


def test_moments_stand_on_the_persons_clock(client, planner):
    """America/Denver is seven hours behind UTC in winter, America/Chicago six (IANA time zone database)."""
    AuditEntry.objects.create(
        at=datetime(2026, 1, 15, 18, 30, tzinfo=UTC), area="work", what="made", about="x"
    )
    for zone, told in (("", "12:30"), ("America/Denver", "11:30"), ("Gone/Zone", "12:30")):
        Person.objects.update(time_zone=zone)
        page = client.get("/changes/", {"first_on": "2026-01-15", "last_on": "2026-01-15"}).content.decode()
        assert told in page, zone


def test_the_answer_leaves_language_and_clock_as_they_were(client, planner):
    Person.objects.update(**SET)
    client.get("/own-settings/")
    assert translation.get_language() == "en"
    assert timezone.get_current_timezone_name() == "America/Chicago"


def test_languages_of_people_are_those_of_the_settings(settings):
    assert list(Language.choices) == [tuple(one) for one in settings.LANGUAGES]
