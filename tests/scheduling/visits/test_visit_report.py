"""The customer's report of a visit: one page over all its orders, plain words, as found and as left."""

from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import TreatmentUnit
from scheduling.models import CloseOut, Visit, WorkOrder
from scheduling.visits import undo
from tests import factories as make
from tests.scheduling.pdf_text import page_count, pdf_text
from tests.scheduling.visits.test_pages_phone import typed
from tests.scheduling.visits.test_visits import address, send, stop

pytestmark = pytest.mark.django_db
__all__ = ["stop"]


@pytest.fixture
def visited(stop):
    """A visit over three orders, sent: sediment and carbon changed, other work not done."""
    client, technician, first, (_, carbon, other) = stop
    TreatmentUnit.objects.filter(pk=carbon.treatment_unit_id).update(promised_conductivity_us_cm=60)
    for weeks, value in ((8, 20), (4, 28)):
        make.performance_reading(
            carbon.treatment_unit,
            make.NOW - timedelta(weeks=weeks, minutes=7),
            permeate_conductivity_us_cm=value,
        )
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat(), signed_by="A. Baker")
    sent = {name: text for name, text in sent.items() if not name.startswith(f"u{other.treatment_unit_id}__")}
    unit = f"u{carbon.treatment_unit_id}__"
    read = {"evidence__carbon": "0.35", "found__permeate_conductivity_us_cm": "40",
            "found__feed_conductivity_us_cm": "500", "permeate_conductivity_us_cm": "25",
            "feed_conductivity_us_cm": "500", "chlorine_after_carbon_mg_l": "0.05"}  # fmt: skip
    sent |= {unit + name: text for name, text in read.items()}
    sent |= {f"outcome__o{other.pk}": "not_done", f"because__o{other.pk}": "no_access", "note": "All well."}
    make.work_order(carbon.treatment_unit, window_from=make.TODAY + timedelta(days=90),
                    window_to=make.TODAY + timedelta(days=104))  # fmt: skip
    WorkOrder.objects.filter(pk=other.pk).update(window_from=make.TODAY + timedelta(days=200),
                                                 window_to=make.TODAY + timedelta(days=210))  # fmt: skip
    answer = send(client, technician, first, sent)
    assert answer.status_code == 200, answer.content
    WorkOrder.objects.filter(raised_at__gte=make.NOW, cause_key__contains="finding").delete()
    return client, technician, Visit.objects.get()


def report(client, visit, person, name="visit_report"):
    client.force_login(person)
    answer = client.get(reverse(name, args=[visit.pk]))
    assert answer.status_code == 200
    return answer.content


def test_it_says_on_one_page_what_was_done_and_why_and_how_the_water_is(visited):
    client, _, visit = visited
    content = report(client, visit, make.person("planner", branch=visit.site.branch))
    assert page_count(content) == 1
    text = pdf_text(content)
    for told in (
        visit.site.customer.name, "is new. Flushed until it ran clear. Why: Carbon: 90% used.",
        "could not be done: no access. We come again.", "40.0 µS/cm 25.0 µS/cm at most 60.0 µS/cm",
        "92.0 % 95.0 %", "0.05 mg/L at most 0.1 mg/L", "total chlorine behind it 0.35 mg/L",
        "to 25 µS/cm", "All well.", "Signed for on site by A. Baker.", "Next visit",
    ):  # fmt: skip
        assert told in text, (told, text)


def test_what_was_undone_is_left_out_and_a_visit_undone_whole_has_no_report(visited):
    client, _, visit = visited
    planner = make.person("planner", branch=visit.site.branch)
    for row in CloseOut.objects.exclude(outcome="not_done").order_by("-pk"):
        undo.undo(row, by=planner, reason="typo", now=make.NOW)
    text = pdf_text(report(client, visit, planner))
    assert "is new" not in text
    assert "could not be done" in text
    CloseOut.objects.update(undone_at=make.NOW, undone_by=planner)
    assert client.get(reverse("visit_report", args=[visit.pk])).status_code == 404


def test_a_link_opens_it_without_a_log_in_until_it_is_old_or_forged(visited, time_machine):
    client, _, visit = visited
    client.force_login(make.person("planner", branch=visit.site.branch))
    address = client.get(reverse("visit_report_link", args=[visit.pk])).url
    client.logout()
    assert page_count(client.get(address).content) == 1
    assert client.get(reverse("visit_report_link", args=[visit.pk])).status_code == 302  # to the log-in
    secret = address.split("/")[-1].removesuffix(".pdf")
    forged = secret[:-1] + ("A" if secret[-1] != "A" else "B")
    assert client.get(reverse("visit_report_by_link", args=[forged])).status_code == 404
    time_machine.move_to(make.NOW + timedelta(days=91), tick=False)
    assert client.get(address).status_code == 404


def test_a_technician_reads_the_own_visits_report_and_another_branch_none(visited):
    client, technician, visit = visited
    assert page_count(report(client, visit, technician.person, "own_visit_report")) == 1
    assert client.get(reverse("visit_report", args=[visit.pk])).status_code == 403
    assert reverse("own_visit_report", args=[visit.pk]) in client.get(reverse("day")).content.decode()
    client.force_login(make.technician().person)
    assert client.get(reverse("own_visit_report", args=[visit.pk])).status_code == 404
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("visit_report", args=[visit.pk])).status_code == 404
