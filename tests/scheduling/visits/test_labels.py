"""Labels: what is in the code, that each sheet keeps inside its page, and where scanning leads by role."""

import uuid

import pytest
import segno
from django.urls import reverse

from scheduling.documents.label_sheet import QUIET_MODULES, STOCKS, label_sheet_pdf, qr_modules
from scheduling.documents.paper import Label, font_folder
from scheduling.orders import steps
from scheduling.visits import labels as queries
from shared.errors import DomainError
from tests import factories as make
from tests.scheduling.pdf_text import page_count, pdf_text

pytestmark = pytest.mark.django_db


def some(count: int) -> list[Label]:
    return [
        Label(f"https://x.example/u/{number}/", f"RO-{number:03d}", "Mill", "Ours") for number in range(count)
    ]


def test_the_code_has_the_quiet_zone_the_standard_asks_for():
    modules = qr_modules("https://care.example.com/u/550e8400-e29b-41d4-a716-446655440000/")
    plain = segno.make("https://care.example.com/u/550e8400-e29b-41d4-a716-446655440000/", error="q")
    assert segno.make("x", micro=False).default_border_size == QUIET_MODULES
    assert len(modules) == len(plain.matrix) + 2 * QUIET_MODULES
    assert not any(any(row) for row in modules[:QUIET_MODULES])
    finder = [row[QUIET_MODULES : QUIET_MODULES + 7] for row in modules[QUIET_MODULES : QUIET_MODULES + 7]]
    # ISO/IEC 18004: a finder is a ring of 7 × 7 around a core of 3 × 3 (value from memory).
    assert finder[0] == (1,) * 7
    assert finder[1] == (1, 0, 0, 0, 0, 0, 1)
    assert finder[3] == (1, 0, 1, 1, 1, 0, 1)


@pytest.mark.parametrize("code", STOCKS)
def test_every_label_of_a_sheet_lies_on_the_page_and_none_on_another(code):
    stock = STOCKS[code]
    assert stock.left + (stock.columns - 1) * stock.step_x + stock.width <= stock.page[0] + 1e-6
    assert stock.top + (stock.rows - 1) * stock.step_y + stock.height <= stock.page[1] + 1e-6
    assert stock.step_x >= stock.width
    assert stock.step_y >= stock.height


@pytest.mark.parametrize(
    ("count", "first", "pages"), [(24, 1, 1), (25, 1, 2), (24, 2, 2), (1, 24, 1), (48, 1, 2)]
)
def test_labels_fill_sheets_from_the_place_asked_for(count, first, pages):
    content = label_sheet_pdf(some(count), stock="a4_3x8", first=first, made_at=make.NOW, fonts=font_folder())
    assert page_count(content) == pages
    text = pdf_text(content)
    assert all(f"RO-{number:03d}" in text for number in range(count))


@pytest.mark.parametrize(
    ("labels", "stock", "first", "says"),
    [
        (some(1), "nothing", 1, "Choose one of"),
        ([], "a4_3x8", 1, "at least one"),
        (some(1), "a4_3x8", 25, "1 to 24"),
    ],
)
def test_what_can_not_be_printed_is_refused_with_the_remedy(labels, stock, first, says):
    with pytest.raises(DomainError, match=says):
        label_sheet_pdf(labels, stock=stock, first=first, made_at=make.NOW, fonts=None)


def test_the_page_finds_units_and_prints_them(client):
    mill = make.treatment_unit(site=make.site(name="Mill House"))
    other = make.treatment_unit(site=make.site(name="Dairy"))
    client.force_login(make.person("planner"))
    page = client.get(reverse("labels"), {"words": "mill", "stock": "a4_3x8", "first": 1})
    assert mill.serial in page.content.decode()
    assert other.serial not in page.content.decode()
    answer = client.get(reverse("label_file"), {"words": "mill", "stock": "a4_3x8", "first": 1, "batch": 1})
    assert mill.serial in pdf_text(answer.content)
    assert other.serial not in pdf_text(answer.content)


@pytest.mark.parametrize("asked", [{}, {"stock": "x", "first": 1}, {"stock": "a4_2x7", "first": 20}])
def test_a_file_that_can_not_be_made_is_not_found(client, asked):
    make.treatment_unit()
    client.force_login(make.person("planner"))
    assert client.get(reverse("label_file"), asked).status_code == 404


@pytest.mark.parametrize("name", ["labels", "label_file"])
@pytest.mark.parametrize("role", ["technician", "integrator"])
def test_labels_are_the_planners(client, name, role):
    client.force_login(make.person(role))
    assert client.get(reverse(name)).status_code == 403


@pytest.mark.parametrize("role", ["planner", "owner", "integrator"])
def test_scanning_leads_those_who_see_the_fleet_to_the_units_page(client, role):
    unit = make.treatment_unit()
    client.force_login(make.person(role))
    answer = client.get(reverse("unit_label", args=[unit.label_code]))
    assert answer.url == reverse("treatment_unit", args=[unit.serial])


def test_scanning_leads_a_technician_to_the_visit_of_todays_stop(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    unit = make.whole_unit()
    technician = make.technician(branch=unit.site.branch)
    order = make.work_order(unit)
    make.route(technician, [order])
    client.force_login(technician.person)
    answer = client.get(reverse("unit_label", args=[unit.label_code]))
    assert answer.url == reverse("visit", args=[order.stops.get().stop_id])


def test_scanning_shows_a_technician_without_a_stop_the_units_history_and_cautions(client):
    unit = make.whole_unit()
    steps.ensure_step_sheets(make.NOW)
    client.force_login(make.technician(branch=unit.site.branch).person)
    text = client.get(reverse("unit_label", args=[unit.label_code])).content.decode()
    assert "Nothing is planned for you here today" in text
    assert "Cautions first" in text
    assert "Stored pressure" in text
    assert "post-carbon" in text


def test_a_label_of_another_branch_or_of_nothing_leads_nowhere(client):
    unit = make.treatment_unit()
    client.force_login(make.technician().person)
    assert client.get(reverse("unit_label", args=[unit.label_code])).status_code == 404
    assert client.get(reverse("unit_label", args=[uuid.uuid4()])).status_code == 404


def test_a_stranger_who_scans_logs_in_first(client):
    unit = make.treatment_unit()
    answer = client.get(reverse("unit_label", args=[unit.label_code]))
    assert answer.url.startswith(reverse("log_in"))


def test_parts_at_a_place_get_a_label_each_whose_code_says_kind_and_lot(client):
    level = make.van(make.technician(), make.part_kind(), 2)
    made = queries.part_labels(level.place, company="Us")
    assert [one.address for one in made] == [f"{queries.PART_MARK}\n{level.kind.code}\n{level.lot}"] * 2
    client.force_login(make.person("planner"))
    answer = client.get(reverse("part_label_file", args=[level.place.code]))
    assert level.kind.name in " ".join(pdf_text(answer.content).split())
    client.force_login(make.person("technician"))
    assert client.get(reverse("part_label_file", args=[level.place.code])).status_code == 403


def test_a_place_where_nothing_lies_has_no_labels(client):
    level = make.van(make.technician(), make.part_kind(), 0)
    client.force_login(make.person("planner"))
    assert client.get(reverse("part_label_file", args=[level.place.code])).status_code == 404
