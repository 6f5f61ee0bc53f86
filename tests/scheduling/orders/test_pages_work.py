"""Work orders on the page: the list, one order, withdrawing, raising, and the list as a file."""

import csv
import io
from datetime import timedelta

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from scheduling.models import OrderKind, OrderState, WorkOrder
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def planner(client, time_machine):
    """A planner who is logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


def orders(count: int, **given) -> list[WorkOrder]:
    where = make.site()
    return [make.work_order(make.treatment_unit(site=where), **given) for _ in range(count)]


def shown(response) -> list[int]:
    return [row.pk for row in response.context["found"].rows]


def test_the_list_shows_standing_orders_by_the_day_they_are_due(planner):
    late, soon = orders(2)
    past = {"window_from": make.TODAY - timedelta(9), "window_to": make.TODAY - timedelta(3)}
    WorkOrder.objects.filter(pk=late.pk).update(**past)
    done = orders(1, state=OrderState.DONE, ended_at=make.NOW)[0]
    page = planner.get(reverse("work_orders"))
    assert shown(page) == [late.pk, soon.pk]
    assert done.pk not in shown(page)
    assert "3 days late" in page.content.decode()


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({"kind": "feed_test"}, {"tests"}),
        ({"area": "Southend"}, {"south"}),
        ({"late": "on"}, {"late"}),
        ({"state": "withdrawn"}, {"gone"}),
        ({"state": "any"}, {"tests", "south", "late", "gone"}),
        ({"window_from": "2027-01-01", "window_to": "2027-01-31"}, {"south"}),
        ({"words": "leaky"}, {"south"}),
        ({"kind": "no such kind"}, {"tests", "south", "late"}),
    ],
)  # fmt: skip
def test_each_filter_keeps_what_it_names(planner, query, expected):
    unit = make.treatment_unit()
    south = make.treatment_unit(site=make.site(area="Southend"))
    yesterday = make.TODAY - timedelta(1)
    far = make.TODAY.replace(year=2027, month=1, day=10)
    made = {
        "tests": make.work_order(unit, OrderKind.FEED_TEST),
        "south": make.work_order(south, window_from=far, window_to=far + timedelta(5), why="A leaky joint."),
        "late": make.work_order(unit, window_from=make.TODAY - timedelta(9), window_to=yesterday),
        "gone": make.work_order(
            unit, state="withdrawn", ended_at=make.NOW, withdrawn_because="Closed.",
        ),
    }  # fmt: skip
    page = planner.get(reverse("work_orders"), query)
    assert set(shown(page)) == {made[name].pk for name in expected}


def test_pages_of_a_list_hold_every_order_once(planner):
    made = {order.pk for order in orders(120)}
    seen = [pk for page in (1, 2, 3) for pk in shown(planner.get(reverse("work_orders"), {"page": page}))]
    assert len(seen) == 120
    assert set(seen) == made


def test_the_number_of_queries_does_not_grow_with_the_list(planner, django_assert_max_num_queries):
    kind = make.part_kind()
    for order in orders(50):
        order.needed_parts.create(kind=kind)
    with django_assert_max_num_queries(10):
        planner.get(reverse("work_orders"))


def test_the_number_of_queries_of_an_order_is_bounded(planner, django_assert_max_num_queries):
    mine, *_ = orders(9)
    with django_assert_max_num_queries(20):
        planner.get(reverse("work_order", args=[mine.pk]))


def test_an_order_says_why_in_numbers_and_what_limits_it(planner):
    numbers = {"seen_gal": 7100.0, "limits": {"volume": {"wear": 0.94, "due_on": "2026-11-20"},
                                              "calendar": {"wear": 0.4, "due_on": None}}}  # fmt: skip
    order = make.work_order(make.treatment_unit(), numbers=numbers)
    text = planner.get(reverse("work_order", args=[order.pk])).content.decode()
    assert "Water seen since installed" in text
    assert "7,100 gal" in text
    assert text.index("Volume") < text.index("Calendar")


def test_a_metric_person_sees_litres(client):
    client.force_login(make.person("planner", measure_system="metric"))
    order = make.work_order(make.treatment_unit(), numbers={"seen_gal": 1000.0})
    assert "3,785 L" in client.get(reverse("work_order", args=[order.pk])).content.decode()


def test_withdrawing_needs_a_reason_and_keeps_it(planner):
    order = make.work_order(make.treatment_unit())
    refused = planner.post(reverse("withdraw_order", args=[order.pk]), {"reason": " "})
    assert refused.status_code == 422
    assert "Say why" in refused.content.decode()
    planner.post(reverse("withdraw_order", args=[order.pk]), {"reason": "The unit was sold."})
    order.refresh_from_db()
    assert (order.state, order.withdrawn_because) == ("withdrawn", "The unit was sold.")
    page = planner.get(reverse("work_order", args=[order.pk])).content.decode()
    assert "The unit was sold." in page


def test_a_withdrawn_order_can_be_opened_again(planner):
    order = make.work_order(make.treatment_unit())
    planner.post(reverse("withdraw_order", args=[order.pk]), {"reason": "Sold."})
    planner.post(reverse("reopen_order", args=[order.pk]), {"reason": "It was not sold after all."})
    order.refresh_from_db()
    assert order.state == "open"


def test_one_off_work_is_raised_once_however_often_the_button_is_pressed(planner):
    unit = make.treatment_unit()
    form = planner.get(reverse("new_order")).context["form"]
    sent = {
        "client_id": form["client_id"].value(), "serial": unit.serial.lower(), "why": "A leak was rung in.",
        "window_from": "2026-11-02", "window_to": "2026-11-06", "minutes": "30",
    }  # fmt: skip
    for _ in range(2):
        assert planner.post(reverse("new_order"), sent).status_code == 302
    order = WorkOrder.objects.get()
    assert (order.treatment_unit, order.kind, order.minutes) == (unit, "one_off", 30)


@pytest.mark.parametrize(
    ("changed", "field", "says"),
    [
        ({"serial": "NOWHERE"}, "serial", "no treatment unit"),
        ({"window_to": "2026-11-01"}, "window_to", "before"),
        ({"minutes": "2"}, "minutes", "5"),
    ],
)
def test_bad_one_off_work_is_refused_beside_its_field(planner, changed, field, says):
    unit = make.treatment_unit()
    sent = {"client_id": "7c0e6b0a-4a0e-4a38-9a70-2f9f0f2f5a11", "serial": unit.serial, "why": "A leak.",
            "window_from": "2026-11-02", "window_to": "2026-11-06", "minutes": "30"}  # fmt: skip
    page = planner.post(reverse("new_order"), sent | changed)
    assert page.status_code == 422
    assert says in " ".join(page.context["form"].errors[field])
    assert not WorkOrder.objects.exists()


def test_a_download_holds_the_filtered_rows_and_no_text_acts_as_a_formula(planner):
    where = make.site(name="=HYPERLINK(1)")
    kept = make.work_order(make.treatment_unit(site=where), why="+cmd")
    make.work_order(make.treatment_unit(), OrderKind.FEED_TEST)
    answer = planner.get(reverse("order_file", args=["csv"]), {"kind": "change_due"})
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["Order"] == f"W{kept.pk:06d}"
    assert row["Site"] == "'=HYPERLINK(1)"
    assert row["Why"] == "'+cmd"


def test_a_workbook_holds_days_as_days_and_text_as_text(planner):
    where = make.site(name="=1+1")
    order = make.work_order(make.treatment_unit(site=where))
    answer = planner.get(reverse("order_file", args=["xlsx"]))
    sheet = load_workbook(io.BytesIO(b"".join(answer.streaming_content))).active
    head, row = ([cell for cell in line] for line in sheet.iter_rows())
    by_title = {title.value: cell for title, cell in zip(head, row, strict=True)}
    assert by_title["Limit"].value.date() == order.window_to
    assert by_title["Minutes"].value == order.minutes
    assert (by_title["Site"].value, by_title["Site"].data_type) == ("=1+1", "s")


def test_somebody_of_one_branch_sees_only_its_orders(client):
    here, there = make.branch(), make.branch()
    mine = make.work_order(make.treatment_unit(site=make.site(branch=here)))
    other = make.work_order(make.treatment_unit(site=make.site(branch=there)))
    client.force_login(make.person("planner", branch=here))
    assert shown(client.get(reverse("work_orders"))) == [mine.pk]
    assert client.get(reverse("work_order", args=[other.pk])).status_code == 404
    assert client.post(reverse("withdraw_order", args=[other.pk]), {"reason": "x"}).status_code == 404
