"""One thing's history tells who, when, by which way, before and after; a customer gets an answer."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse

from fleet.corrections.corrections import Act, correct
from fleet.models import AuditArea, Part
from fleet.people import audit
from scheduling.models import CloseOut, CloseOutPart, RevenueEntry
from tests import factories as make
from tests.scheduling.pdf_text import pdf_text

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit():
    """A unit whose carbon was changed at a visit, its flush corrected since, its label edited."""
    made = make.whole_unit()
    planner = make.person("planner", branch=made.site.branch, username="anna")
    old = Part.objects.get(treatment_unit=made, position__code="carbon")
    at = make.NOW - timedelta(days=4)
    order = make.work_order(made, why="Carbon: 96% used by chlorine.", state="done", ended_at=at)
    technician = make.technician(branch=made.site.branch, name="Bo")
    visit = CloseOut.objects.create(
        order=order, technician=technician, outcome="done", finished_at=at, received_at=at, minutes=35,
    )  # fmt: skip
    Part.objects.filter(pk=old.pk).update(removed_at=at, removal_reason="worn")
    new = make.part(old.position, old.kind, installed_at=at, serial="NEW-1")
    CloseOutPart.objects.create(close_out=visit, removed=old, installed=new)
    flush = make.flush(new)
    correct("flush", flush.pk, {"minutes": 12.0}, act=Act("Misread.", planner, make.NOW))
    audit.note("unit changed", area=AuditArea.FLEET, about=made.serial, detail="label: a → b", by=planner,
               now=make.NOW)  # fmt: skip
    RevenueEntry.objects.create(
        kind="parts", cause_key="x", site=made.site, treatment_unit=made, month=make.TODAY.replace(day=1),
        amount=Decimal("38.00"), text="Carbon", entered_at=make.NOW,
    )  # fmt: skip
    return made


def sign_in(client, role, branch):
    client.force_login(make.person(role, branch=branch))
    return client


@pytest.mark.parametrize("of", ["unit", "site", "customer"])
def test_the_history_has_visits_parts_corrections_edits_and_money(client, unit, of):
    code = {"unit": unit.serial, "site": unit.site.code, "customer": unit.site.customer.code}[of]
    address = reverse("history_of", args=[of, code])
    page = sign_in(client, "planner", unit.site.branch).get(address).content.decode()
    for words in ("Bo", "NEW-1", "Exhausted", "Misread.", "<s>30</s>", "label: a → b", "38.00", "anna"):
        assert words in page
    assert "US gallons" not in page
    only = client.get(address, {"kinds": ["correction"]}).content.decode()
    assert "Misread." in only
    assert "NEW-1" not in only
    file = client.get(address, {"list": "lines", "as": "csv", "kinds": ["part", "reading"]})
    text = b"".join(file.streaming_content).decode() if file.streaming else file.content.decode()
    assert "NEW-1" in text
    assert text.count("\n") > 60
    none = client.get(address, {"last_on": "2001-01-01"}).content.decode()
    assert "Nothing of that kind happened" in none


def test_who_may_see_no_money_and_no_changes_sees_none_of_them_here(client, unit):
    address = reverse("history_of", args=["unit", unit.serial])
    page = sign_in(client, "integrator", unit.site.branch).get(address).content.decode()
    assert "NEW-1" in page
    assert "38.00" not in page
    assert "label: a → b" not in page
    assert sign_in(client, "technician", unit.site.branch).get(address).status_code == 403
    other = sign_in(client, "planner", make.branch())
    for of, code in (("unit", unit.serial), ("site", unit.site.code), ("customer", unit.site.customer.code)):
        assert other.get(reverse("history_of", args=[of, code])).status_code == 404


def test_a_customer_is_told_when_the_filter_was_changed_and_why_as_page_and_letter(client, unit):
    address = reverse("answer_customer", args=[unit.serial])
    page = sign_in(client, "planner", unit.site.branch).get(address).content.decode()
    for words in (
        "last changed on 29 Oct 2026",
        "exhausted",
        "Carbon: 96% used by chlorine.",
        "Bo was with you",
    ):
        assert words in page
    letter = client.get(address, {"as": "pdf"})
    assert letter["Content-Type"] == "application/pdf"
    told = pdf_text(letter.content)
    assert "last changed on 29 Oct 2026" in told.replace("\n", " ")
    assert unit.site.customer.name in told
    assert sign_in(client, "planner", make.branch()).get(address).status_code == 404
