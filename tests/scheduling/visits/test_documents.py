"""The service report and the work sheet: what they say, who may have them, and that no name crashes them."""

import json
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import Part, PartState, RemovalReason
from scheduling.documents import paper as paper_module
from scheduling.documents.paper import font_folder, latin
from scheduling.documents.pictures import read_strokes
from scheduling.documents.service_report import service_report_pdf
from scheduling.models import CloseOut, Outcome, StepSheet
from scheduling.orders import steps
from scheduling.visits import documents as queries
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from tests import factories as make
from tests.scheduling.pdf_text import page_count, pdf_text

pytestmark = pytest.mark.django_db
FINISHED = make.NOW - timedelta(hours=1)


def visit(**given) -> CloseOut:
    """A carbon change, flushed to clear, closed by the technician on whose route it stood."""
    unit = given.pop("unit", None) or make.whole_unit()
    steps.ensure_step_sheets(make.NOW)
    technician = make.technician(branch=unit.site.branch)
    old = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = make.work_order(unit, part=old)
    make.route(technician, [order])
    record = steps.all_done(order.kind)
    for code, reason in given.pop("skipped", {}).items():
        for entry in record:
            if entry["code"] == code:
                entry.update(done=False, skipped_because=reason)
    form = CloseOutForm(
        client_id=uuid.uuid4(), order_id=order.pk, technician_id=technician.pk, outcome=Outcome.DONE,
        finished_at=FINISHED, minutes=42, steps=record,
        part_changes=[PartChange("carbon", RemovalReason.WORN, old.kind.code, serial="NEW-7", lot="LOT-9")],
        flush=FlushForm(volume_gal=24, minutes=24, ran_clear=True),
        meter_total=7600.0,
        performance={"feed_pressure_psi": 118.0, "permeate_flow_gpm": 0.36},
        **{"note": "Housing clean.", "signed_by": "Ana Żółć", **given},
    )  # fmt: skip
    return close_out(form, by=technician.person, now=make.NOW)


def report_text(client, row: CloseOut, person) -> str:
    client.force_login(person)
    answer = client.get(reverse("service_report", args=[row.pk]))
    assert answer["Content-Type"] == "application/pdf"
    return pdf_text(answer.content)


def test_the_report_says_what_was_found_changed_flushed_and_comes_next(client):
    row = visit()
    text = report_text(client, row, make.person("planner"))
    due = PartState.objects.get(part__position__code="sediment", part__removed_at=None)
    unit = row.order.treatment_unit
    for told in (
        unit.serial, unit.site.name, unit.site.customer.name, row.technician.name, "2 Nov 2026, 08:00",
        "42 min",
        "Exhausted", "serial NEW-7, lot LOT-9", "24.0 gal", "24.0 min", "Housing clean.", "Ana Żółć",
        "Feed pressure 120 psi 118 psi", "Permeate flow 0.35 gpm 0.36 gpm", "7,600 gal",
        f"{due.likely_on.day} {due.likely_on:%b %Y}", "Mains voltage beside water",
        f"Order W{row.order_id:06d}",
    ):  # fmt: skip
        assert told in text, told


def test_cautions_stand_before_parts_and_steps(client):
    text = report_text(client, visit(), make.person("owner"))
    assert text.index("Cautions first") < text.index("Parts") < text.index("Steps, version 1")


def test_a_hazard_control_that_was_skipped_stands_out_with_its_reason(client):
    text = report_text(client, visit(skipped={"drain_gap": "The drain is behind a locked door."}),
                       make.person("planner"))  # fmt: skip
    assert "Hazard control not done: See that the drain line still has its air gap" in text
    assert "Reason: The drain is behind a locked door." in text


def test_a_metric_reader_gets_litres_and_bar(client):
    text = report_text(client, visit(), make.person("planner", measure_system="metric"))
    assert "90.8 L" in text  # 24 gal × 3.785411784 L/gal, NIST SP 811
    assert "8.14 bar" in text  # 118 psi ÷ 14.5038 psi/bar
    assert " psi" not in text


def test_the_report_holds_no_money(client):
    row = visit()
    kind = row.parts.get().installed.kind
    text = report_text(client, row, make.person("owner"))
    for amount in (kind.price, kind.cost, row.technician.cost_per_hour):
        assert str(amount) not in text
    assert "USD" not in text


def test_steps_come_from_the_version_worked_by_and_not_from_the_newest(client):
    row = visit()
    steps.revise(row.order.kind, cautions=["A new caution."],
                 steps=[{"code": "only", "text": "A step nobody did."}], by=None, now=make.NOW)  # fmt: skip
    text = report_text(client, row, make.person("planner"))
    assert "Release the pressure to drain and prove it" in text
    assert "A step nobody did." not in text
    assert "A new caution." not in text


def test_an_undone_close_out_says_so(client):
    row = visit()
    planner = make.person("planner")
    CloseOut.objects.filter(pk=row.pk).update(
        undone_at=make.NOW, undone_by=planner, undone_because="Wrong unit."
    )
    assert "voided: Wrong unit." in report_text(client, row, planner)


@pytest.mark.parametrize(
    ("role", "name", "status"),
    [
        ("planner", "service_report", 200), ("owner", "service_report", 200),
        ("integrator", "service_report", 200), ("technician", "service_report", 403),
        ("planner", "own_service_report", 403), ("integrator", "own_service_report", 403),
        ("owner", "own_service_report", 404), ("technician", "own_service_report", 404),
    ],
)  # fmt: skip
def test_a_report_goes_to_the_roles_that_may_read_it(client, role, name, status):
    row = visit()
    client.force_login(make.person(role))
    assert client.get(reverse(name, args=[row.pk])).status_code == status


def test_the_technician_who_did_it_has_the_report_and_no_other(client):
    row = visit()
    client.force_login(row.technician.person)
    assert row.order.treatment_unit.serial in pdf_text(
        client.get(reverse("own_service_report", args=[row.pk])).content
    )
    client.force_login(make.technician(branch=row.technician.branch).person)
    assert client.get(reverse("own_service_report", args=[row.pk])).status_code == 404


def test_a_technician_finds_the_report_by_the_order_on_the_day(client):
    row = visit()
    client.force_login(row.technician.person)
    address = reverse("own_order_report", args=[row.order_id])
    assert address in client.get(reverse("day", args=[f"{make.TODAY}"])).content.decode()
    assert row.order.treatment_unit.serial in pdf_text(client.get(address).content)
    client.force_login(make.technician().person)
    assert client.get(address).status_code == 404


def test_the_order_links_to_its_report(client):
    row = visit()
    client.force_login(make.person("planner"))
    page = client.get(reverse("work_order", args=[row.order_id])).content.decode()
    assert reverse("service_report", args=[row.pk]) in page


def test_a_stranger_and_another_branch_get_nothing(client):
    row = visit()
    assert client.get(reverse("service_report", args=[row.pk])).status_code == 302
    client.force_login(make.person("planner", branch=make.branch()))
    assert client.get(reverse("service_report", args=[row.pk])).status_code == 404


@pytest.mark.parametrize(
    "name", ["Café Łódź ≥ “x”", "日本の水 🚰", "a\x00b\x07c\u202ed", "שלום عالم", "%PDF\\)(<x>"]
)
@pytest.mark.parametrize("has_font", [True, False])
def test_no_name_crashes_a_report(name, has_font):
    storable = name.replace("\x00", "")  # PostgreSQL keeps no NUL in text
    row = visit(note=f"{storable}\nsecond line", signed_by=storable[:100])
    report = queries.service_report(row, company=name, system="us")
    content = service_report_pdf(
        report, is_metric=True, made_at=make.NOW, fonts=font_folder() if has_font else None
    )
    assert content.startswith(b"%PDF-")
    assert "second line" in pdf_text(content)


def test_without_the_font_accents_are_dropped_and_strange_letters_marked():
    assert latin("Müller – 3 ≥ 2") == "Müller - 3 >= 2"
    assert latin("Łódź żółw") == "?ódz zó?w"


def test_the_same_close_out_prints_the_same():
    row = visit()
    report = queries.service_report(row, company="Ours", system="us")
    first, second = (
        service_report_pdf(report, is_metric=False, made_at=make.NOW, fonts=font_folder()) for _ in range(2)
    )
    assert first == second


@pytest.mark.parametrize(
    ("text", "points", "readable"),
    [
        ("", 0, True),
        ("[]", 0, True),
        (json.dumps([[[0, 0], [10, 5]], [[3, 3]]]), 3, True),
        (json.dumps([[{"x": 1, "y": 2}, {"x": 3, "y": 4}]]), 2, True),
        ("scribble", 0, False),
        ('{"a": 1}', 0, False),
        ("[[[1]]]", 0, False),
        ("[[[1e999, 2]]]", 0, False),
        (json.dumps([[[1, 2]] * 30_000]), 0, False),
    ],
)
def test_strokes_are_read_or_told_unreadable(text, points, readable):
    strokes, is_readable = read_strokes(text)
    assert (sum(map(len, strokes)), is_readable) == (points, readable)


def test_a_signature_is_drawn_inside_its_field():
    row = visit(signature=json.dumps([[[0, 0], [4000, 1000]], [[100, 900], [200, 500]]]))
    report = queries.service_report(row, company="Ours", system="us")
    bare = service_report_pdf(report, is_metric=True, made_at=make.NOW, fonts=None)
    assert report.signature_is_readable
    assert "Nobody signed" not in pdf_text(bare)


def test_the_work_sheet_puts_cautions_first_and_gives_each_order_its_hazard_controls(client):
    unit = make.whole_unit()
    steps.ensure_step_sheets(make.NOW)
    carbon = Part.objects.get(treatment_unit=unit, position__code="carbon")
    orders = [make.work_order(unit, part=carbon, cause_key=f"carbon {n}") for n in range(2)]
    technician = make.technician(branch=unit.site.branch)
    kind = make.part_kind(name="Sediment cartridge Z")
    orders[0].needed_parts.create(kind=kind, quantity=2)
    route = make.route(technician, orders)
    client.force_login(make.person("planner"))
    answer = client.get(reverse("work_sheet", args=[route.pk]))
    text = pdf_text(answer.content)
    sheet = StepSheet.objects.get(kind="change_due").steps
    of_carbon = [step for step in sheet if step.get("when") not in ("membrane", "sediment")]
    controls = [step for step in of_carbon if step["is_hazard_control"]]
    assert text.index("Cautions first") < text.index("Load before leaving") < text.index("Stop 1")
    assert "Sediment cartridge Z" in text
    assert "This route is not published" not in text
    for step in controls:
        assert text.count(step["text"]) == 2
    assert page_count(answer.content) >= 2


def test_a_route_that_is_not_published_says_so_on_its_sheet(client):
    route = make.route(make.technician(), [make.work_order(make.treatment_unit())], is_in_force=False)
    client.force_login(make.person("planner"))
    assert "not published" in pdf_text(client.get(reverse("work_sheet", args=[route.pk])).content)
    client.force_login(route.technician.person)
    assert client.get(reverse("own_work_sheet", args=[route.pk])).status_code == 404


@pytest.mark.parametrize(
    ("role", "name", "status"),
    [("planner", "work_sheet", 200), ("owner", "work_sheet", 200), ("integrator", "work_sheet", 200),
     ("technician", "work_sheet", 403), ("technician", "own_work_sheet", 404),
     ("planner", "own_work_sheet", 403), ("integrator", "own_work_sheet", 403)],
)  # fmt: skip
def test_a_work_sheet_goes_to_the_roles_that_may_read_it(client, role, name, status):
    route = make.route(make.technician(), [make.work_order(make.treatment_unit())])
    client.force_login(make.person(role))
    assert client.get(reverse(name, args=[route.pk])).status_code == status


def test_a_technician_prints_the_own_day(client):
    unit = make.treatment_unit()
    route = make.route(make.technician(), [make.work_order(unit)])
    client.force_login(route.technician.person)
    assert unit.serial in pdf_text(client.get(reverse("own_work_sheet", args=[route.pk])).content)


def test_a_missing_font_is_lived_with(monkeypatch):
    paper_module.font_folder.cache_clear()
    monkeypatch.setattr(paper_module, "find_spec", lambda name: None)
    assert font_folder() is None
    paper_module.font_folder.cache_clear()
