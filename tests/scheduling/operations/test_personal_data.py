"""One person's data: all comes out; names go, money, lots and the trail stay; again changes nothing."""

import json
import zipfile
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from io import BytesIO

import pytest
from django.apps import apps
from django.core.files.base import ContentFile
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.assessment.runs import assess_units
from fleet.models import AuditArea, AuditEntry, Customer, MeterReading, Part, Site
from fleet.people import audit
from fleet.people.services import pending_factor
from scheduling.billing.invoicing import make_batch
from scheduling.models import (
    ClosedMonth,
    CloseOut,
    CloseOutPart,
    CloseOutPhoto,
    InvoiceLine,
    Notice,
    RevenueEntry,
    SavedView,
    StockMovement,
    StockPlace,
    ToldVisit,
    TravelLeg,
    WorkOrderEvent,
)
from scheduling.operations import personal_data_rows as queries
from scheduling.operations.personal_data import erase
from scheduling.operations.personal_data_rows import take_out
from shared.errors import DomainError
from tests import factories as make
from tests.photo_files import jpeg

NOW = make.NOW
NAME, EMAIL, PHONE, STREET = "Ada Quillfeather", "ada@quill.example", "+1 555 0142", "7 Kestrel Lane"
WORKER = "Bram Thistlewood"
pytestmark = pytest.mark.django_db


class Company:
    """A customer served once by a technician, with everything that names either of them."""

    def __init__(self, is_closed=True):
        self.owner = make.person("owner", username="olga")
        self.customer = make.customer(name=NAME, email=EMAIL, phone=PHONE)
        self.site = make.site(
            customer=self.customer, name=f"{NAME}, cabin", address=STREET, access_note="key under the pot",
            is_closed=is_closed,
        )  # fmt: skip
        self.unit = make.whole_unit(site=self.site, note=f"ask {NAME} for the key")
        person = make.person(
            "technician", username="bram", first_name="Bram", last_name="Thistlewood", phone="+1 555 0199",
            email="bram@works.example",
        )  # fmt: skip
        self.technician = make.technician(
            person=person, code="bram-t", name=WORKER, start_latitude=41.5, start_longitude=-93.5
        )
        self.person = person
        self.order = make.work_order(self.unit, state="done", ended_at=NOW, why=f"{NAME} called")
        WorkOrderEvent.objects.create(
            order=self.order, at=NOW, what="closed out", detail=f"Done, by {WORKER}.", by=person
        )
        self.visit = CloseOut.objects.create(
            order=self.order, technician=self.technician, outcome="done", finished_at=NOW, received_at=NOW,
            minutes=40, note=f"{NAME} was in; {WORKER} rang twice.", signed_by=NAME, signature="[[1,2]]",
        )  # fmt: skip
        part = self.unit.parts.first()
        CloseOutPart.objects.create(close_out=self.visit, removed=part)
        self.photo = CloseOutPhoto(close_out=self.visit, latitude=41.0, longitude=-93.0)
        self.photo.image.save("seen.jpg", ContentFile(jpeg()), save=True)
        self.entry = RevenueEntry.objects.create(
            kind="work", cause_key="work:test", site=self.site, month=NOW.date().replace(day=1),
            amount=Decimal("38.00"), text=f"Carbon changed at {NAME}, cabin", entered_at=NOW,
        )  # fmt: skip
        self.told = ToldVisit.objects.create(
            site=self.site, arrives_from=NOW, arrives_until=NOW + timedelta(hours=1), minutes=40,
            technician=WORKER,
        )  # fmt: skip
        self.notice = Notice.objects.create(
            cause_key="booked:1", visit=self.told, customer=self.customer, kind="booked", to_email=EMAIL,
            subject=f"Visit to {NAME}", body=f"Dear {NAME}, {WORKER} comes.", calendar=f"LOCATION:{STREET}",
            made_at=NOW, next_try_at=NOW,
        )  # fmt: skip
        TravelLeg.objects.create(engine="e", from_place="41.50000,-93.50000", to_place="1,1", seconds=1)
        self.van = StockPlace.objects.create(
            code="van-bram-t", name=f"Van of {WORKER}", branch=self.technician.branch,
            technician=self.technician,
        )  # fmt: skip
        StockMovement.objects.create(
            place=self.van, kind=part.kind, quantity=-1, at=NOW, by=person, close_out=self.visit,
            cause_key="m:1", lot="L-1",
        )  # fmt: skip
        SavedView.objects.create(owner=person, view_of="fleet_list", name="mine", query="q=1", made_at=NOW)
        audit.note("log-in made", area=AuditArea.PEOPLE, about="bram", detail=f"for {WORKER}", by=self.owner,
                   now=NOW)  # fmt: skip
        audit.note("plan price set", area=AuditArea.MONEY, about="P-1", by=person, now=NOW)


@pytest.fixture
def company():
    return Company()


def everything_as_text():
    """Every row of every table of ours, as one text in small letters."""
    parts = []
    for room in ("fleet", "scheduling", "api"):
        for model in apps.get_app_config(room).get_models():
            for row in model._base_manager.values_list():
                parts.append(json.dumps([str(value) for value in row], ensure_ascii=False))
    return "\n".join(parts).casefold()


def erased(kind, code, company, **more):
    return erase(queries.find(kind, code), by=company.owner, now=NOW, **more)


def taken_out(kind, code, by=None):
    with take_out(queries.find(kind, code), by=by, now=NOW) as file:
        packed = zipfile.ZipFile(BytesIO(file.read()))
    return packed, json.loads(packed.read("personal-data.json"))


def what_must_stay():
    """Money, lots and readings, to the letter."""
    return {
        "money": list(RevenueEntry.objects.order_by("pk").values_list("amount", "month", "site", "kind")),
        "lines": list(InvoiceLine.objects.order_by("pk").values_list("amount", "customer_code", "kind")),
        "parts": list(Part.objects.order_by("pk").values_list("pk", "lot", "serial", "installed_at")),
        "moved": list(StockMovement.objects.order_by("pk").values_list("lot", "quantity", "by", "place")),
        "visits": list(CloseOut.objects.order_by("pk").values_list("order", "technician", "outcome")),
        "readings": MeterReading.objects.count(),
        "trail": list(AuditEntry.objects.order_by("pk").values_list("at", "by", "area", "what")),
    }


# --- taking out ---


def test_a_customer_gets_rows_photos_and_a_page_that_explains(company):
    assess_units([company.unit.pk], NOW)
    packed, told = taken_out("customer", company.customer.code, company.owner)
    states = told["tables"]["fleet.partstate.treatment_unit__site__customer"]
    assert {state["numbers"]["readings_used"] for state in states} == {53}
    assert told["about"]["name"] == NAME
    tables = told["tables"]
    assert tables["fleet.customer"][0]["email"] == EMAIL
    assert tables["scheduling.closeout.order__site__customer"][0]["signed_by"] == NAME
    assert len(tables["fleet.meterreading.treatment_unit__site__customer"]) == 53
    assert tables["scheduling.notice.customer"][0]["body"].startswith(f"Dear {NAME}")
    assert packed.read(f"photos/{company.photo.pk}.jpg")[:2] == b"\xff\xd8"
    assert "Passwords" in packed.read("read-me.txt").decode()
    assert AuditEntry.objects.filter(what="personal data taken out", by=company.owner).count() == 1


def test_a_log_in_comes_out_with_its_technician_its_deeds_and_without_secrets(company):
    pending_factor(company.person, now=NOW)
    _, told = taken_out("technician", "bram-t")
    tables = told["tables"]
    assert told["about"]["kind"] == "log-in"
    assert tables["fleet.person"][0]["phone"] == "+1 555 0199"
    assert tables["scheduling.technician"][0]["start_latitude"] == 41.5
    assert [row["what"] for row in tables["scheduling.workorderevent.by"]] == ["closed out"]
    assert [row["what"] for row in tables["fleet.auditentry.by"]] == ["plan price set"]
    assert [row["what"] for row in tables["fleet.auditentry, naming the person"]] == ["log-in made"]
    text = json.dumps(told)
    for secret in (company.person.password, company.person.second_factor.salt):
        assert secret not in text


def test_nobody_elses_rows_come_out(company):
    other = make.customer(name="Somebody Else")
    make.whole_unit(site=make.site(customer=other))
    _, told = taken_out("customer", company.customer.code)
    assert "Somebody Else" not in json.dumps(told)
    assert len(told["tables"]["fleet.treatmentunit.site__customer"]) == 1


# --- erasing ---


def test_no_name_address_or_number_of_a_customer_is_left_and_the_rest_stays(
    company, django_capture_on_commit_callbacks
):
    ClosedMonth.objects.create(month=NOW.date().replace(day=1), closed_at=NOW)
    make_batch(through=NOW.date().replace(day=1), currency="USD", by=company.owner, now=NOW)
    assert InvoiceLine.objects.get().customer_name == NAME
    before = what_must_stay()
    file = company.photo.image
    with django_capture_on_commit_callbacks(execute=True):
        erasure = erased("customer", company.customer.code, company)
    left = everything_as_text()
    for gone in (NAME, EMAIL, PHONE, STREET, "key under the pot", "[[1,2]]"):
        assert gone.casefold() not in left, gone
    assert not CloseOutPhoto.objects.exists()
    assert not file.storage.exists(file.name)
    mark = f"erased customer {company.customer.pk}"
    assert erasure.mark == mark
    assert Customer.objects.get().name == InvoiceLine.objects.get().customer_name == mark
    assert RevenueEntry.objects.get().text == f"Carbon changed at {mark}"
    after = what_must_stay()
    assert after.pop("trail")[:-1] == before.pop("trail")
    assert after == before
    assert AuditEntry.objects.order_by("pk").last().what == "personal data erased"


def test_a_notice_that_waited_is_not_sent_any_more(company):
    erased("customer", company.customer.code, company)
    company.notice.refresh_from_db()
    assert (company.notice.state, company.notice.to_email) == ("not_wanted", "")


def test_a_customer_still_served_loses_contact_and_signature_and_keeps_name_and_address():
    company = Company(is_closed=False)
    erased("customer", company.customer.code, company)
    company.customer.refresh_from_db()
    company.site.refresh_from_db()
    company.visit.refresh_from_db()
    assert (company.customer.name, company.customer.email, company.customer.phone) == (NAME, "", "")
    assert (company.site.address, company.site.access_note) == (STREET, "key under the pot")
    assert (company.visit.signed_by, company.visit.signature) == (
        f"erased customer {company.customer.pk}",
        "",
    )
    assert CloseOutPhoto.objects.exists()
    Site.objects.update(is_closed=True)
    erased("customer", company.customer.code, company)
    assert STREET.casefold() not in everything_as_text()


def test_no_name_of_a_person_who_left_remains_and_deeds_point_at_the_mark(company):
    before = what_must_stay()
    phone = Client()
    phone.force_login(company.person)
    pending_factor(company.person, now=timezone.now())
    erasure = erased("log-in", "bram", company)
    left = everything_as_text()
    for gone in (WORKER, "Thistlewood", "bram", "+1 555 0199", "41.5"):
        assert gone.casefold() not in left, gone
    after = what_must_stay()
    assert after.pop("trail")[: len(before["trail"])] == before.pop("trail")
    assert after == before
    company.person.refresh_from_db()
    assert str(company.person) == erasure.mark == f"erased log-in {company.person.pk}"
    assert not company.person.is_active
    assert not company.person.has_usable_password()
    assert phone.get(reverse("own_log_in")).status_code == 302
    assert not SavedView.objects.exists()
    assert not TravelLeg.objects.exists()
    assert WorkOrderEvent.objects.get().detail == f"Done, by {erasure.mark}."
    assert AuditEntry.objects.get(what="log-in made").about == erasure.mark
    assert AuditEntry.objects.get(what="plan price set").by == company.person


@pytest.mark.parametrize("kind", ["log-in", "customer"])
def test_erasing_again_changes_nothing_at_all(company, kind):
    subject = company.person if kind == "log-in" else company.customer
    erased(kind, "bram" if kind == "log-in" else company.customer.code, company)
    before = everything_as_text()
    again = erase(queries.subject_of(type(subject).objects.get(pk=subject.pk)), by=company.owner, now=NOW)
    assert again.counts == {}
    assert everything_as_text() == before


@pytest.mark.parametrize("fails", ["put_marks", "audit.put_marks", "audit.note"])
def test_half_an_erasure_is_none(company, monkeypatch, fails):
    def stop(*args, **kwargs):
        raise RuntimeError("the lights went out")

    before = everything_as_text()
    monkeypatch.setattr(f"scheduling.operations.personal_data.{fails}", stop)
    with pytest.raises(RuntimeError):
        erased("customer", company.customer.code, company)
    assert everything_as_text() == before
    assert company.photo.image.storage.exists(company.photo.image.name)


def test_other_people_and_other_words_are_left_alone(company):
    other = make.customer(name="Ada Quillfeatherstone")
    order = make.work_order(company.unit, why="Quillfeatherbed, adamant, Thistlewoods")
    erased("customer", company.customer.code, company)
    erased("log-in", "bram", company)
    order.refresh_from_db()
    other.refresh_from_db()
    assert (other.name, order.why) == ("Ada Quillfeatherstone", "Quillfeatherbed, adamant, Thistlewoods")


def test_what_must_wait_is_said_and_nothing_changes(company):
    order = make.work_order(company.unit, state="on_route")
    make.route(company.technician, [order], NOW.date() + timedelta(days=1))
    before = everything_as_text()
    with pytest.raises(DomainError, match="1 order on routes to come"):
        erased("log-in", "bram", company)
    with pytest.raises(DomainError, match="own log-in"):
        erased("log-in", "olga", company)
    with pytest.raises(DomainError, match="last owner"):
        erase(queries.find("log-in", "olga"), by=None, now=NOW)
    assert everything_as_text() == before


def test_a_route_is_still_to_come_on_its_own_evening(company):
    order = make.work_order(company.unit, state="on_route")
    make.route(company.technician, [order], date(2026, 11, 2))
    evening = datetime(2026, 11, 3, 1, tzinfo=UTC)  # 19:00 on 2 November where the technician works
    with pytest.raises(DomainError, match="1 order on routes to come"):
        erase(queries.find("log-in", "bram"), by=company.owner, now=evening)
    erase(queries.find("log-in", "bram"), by=company.owner, now=evening + timedelta(hours=5))


@pytest.mark.postgres
def test_the_function_that_marks_the_trail_changes_nothing_else(company):
    with connection.cursor() as cursor:
        cursor.execute("SELECT fleet_auditentry_pseudonymise(ARRAY['bram', 'price'], 'erased log-in 9')")
    assert AuditEntry.objects.get(what="plan price set").about == "P-1"
    assert AuditEntry.objects.get(about="erased log-in 9").what == "log-in made"
    with pytest.raises(Exception, match="is none"), connection.cursor() as cursor:
        cursor.execute("SELECT fleet_auditentry_pseudonymise(ARRAY['price'], 'nobody')")


# --- page and command ---


def test_the_page_finds_shows_hands_out_and_erases_only_by_the_typed_code(client, company):
    client.force_login(company.owner)
    assert NAME in client.get(reverse("personal_data"), {"words": "quill"}).content.decode()
    args = ["customer", company.customer.code]
    page = client.get(reverse("one_persons_data", args=args)).content.decode()
    assert "What stays, and why" in page
    assert "restore none without erasing again" in page
    answer = client.post(reverse("personal_data_file", args=args))
    assert zipfile.ZipFile(BytesIO(b"".join(answer.streaming_content))).testzip() is None
    assert client.get(reverse("erase_personal_data", args=args)).status_code == 405
    assert client.post(reverse("erase_personal_data", args=args), {"code": "yes"}).status_code == 422
    assert Customer.objects.get().name == NAME
    client.post(reverse("erase_personal_data", args=args), {"code": company.customer.code})
    assert Customer.objects.get().name.startswith("erased")


@pytest.mark.parametrize("role", ["planner", "technician", "integrator"])
def test_only_the_owner_handles_it(client, company, role):
    client.force_login(make.person(role))
    args = ["customer", company.customer.code]
    for name, given in (("personal_data", []), ("one_persons_data", args)):
        assert client.get(reverse(name, args=given)).status_code == 403
    for name in ("personal_data_file", "erase_personal_data"):
        assert client.post(reverse(name, args=args), {"code": args[1]}).status_code == 403
    assert Customer.objects.get().name == NAME


def test_nobody_is_found_by_a_wrong_kind_or_code(client, company):
    client.force_login(company.owner)
    for args in (["customer", "nobody"], ["stranger", "x"]):
        assert client.get(reverse("one_persons_data", args=args)).status_code == 404


def test_the_command_writes_the_file_once_and_erases(company, tmp_path, capsys):
    target = tmp_path / "ada.zip"
    call_command("personal_data", "customer", company.customer.code, to=target)
    assert zipfile.ZipFile(target).testzip() is None
    assert target.stat().st_mode & 0o077 == 0
    with pytest.raises(CommandError, match="exists"):
        call_command("personal_data", "customer", company.customer.code, to=target)
    call_command("personal_data", "customer", company.customer.code, erase=True, yes=True)
    assert Customer.objects.get().name.startswith("erased")
    with pytest.raises(CommandError, match="There is no customer"):
        call_command("personal_data", "customer", "nobody")
