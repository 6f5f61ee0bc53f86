"""Stock: receive, move and count through the page; counts are the movements' sum and never negative."""

import csv
import io
import uuid
from datetime import timedelta

import pytest
from django.db.models import Sum
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase as DjangoTestCase

from fleet.models import PartState
from scheduling.models import StockLevel, StockMovement, StockPlace
from scheduling.stock import movements
from scheduling.stock import selectors as queries
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def depot():
    """A branch with a shelf, a technician and the technician's van."""
    technician = make.technician()
    movements.set_up_places(technician.branch_id)
    shelf = StockPlace.objects.get(technician=None, branch=technician.branch)
    return shelf, StockPlace.objects.get(technician=technician), technician


def send(client, place, what, **fields):
    given = {"what": what, "client_id": uuid.uuid4()} | fields
    return client.post(reverse("stock_place", args=[place.code]), given)


def count(place, kind, lot="") -> int:
    held = StockLevel.objects.filter(place=place, kind=kind, lot=lot).values_list("quantity", flat=True)
    return held[0] if held else 0


def test_places_are_made_once(depot):
    assert movements.set_up_places(None) == 0
    assert StockPlace.objects.count() == 2


def test_parts_are_received_and_carried_to_the_van_with_their_lot(client, depot):
    shelf, van, _ = depot
    kind = make.part_kind()
    client.force_login(make.person("planner"))
    assert (
        send(client, shelf, "receive", kind=kind.pk, lot="L1", quantity=10, note="Note 7").status_code == 302
    )
    assert send(client, shelf, "move", kind=kind.pk, lot="L1", quantity=4, to_place=van.pk).status_code == 302
    assert (count(shelf, kind, "L1"), count(van, kind, "L1")) == (6, 4)
    text = client.get(reverse("stock_place", args=[shelf.code])).content.decode()
    assert "Note 7" in text
    assert "+10" in text
    assert "-4" in text


@pytest.mark.parametrize("what", ["receive", "move", "count"])
def test_a_second_press_changes_nothing(client, depot, what):
    shelf, van, _ = depot
    kind = make.part_kind()
    planner = make.person("planner")
    movements.receive(shelf, kind, 9, lot="", client_id=uuid.uuid4(), by=planner, now=make.NOW)
    client.force_login(planner)
    fields = {"kind": kind.pk, "client_id": uuid.uuid4(), "quantity": 3, "to_place": van.pk, "counted": 7,
              "reason": "Two were broken."}  # fmt: skip
    for _ in range(2):
        assert send(client, shelf, what, **fields).status_code == 302
    assert count(shelf, kind) == {"receive": 12, "move": 6, "count": 7}[what]


def test_more_than_there_are_is_refused_with_the_remedy_and_moves_nothing(client, depot):
    shelf, van, _ = depot
    kind = make.part_kind()
    planner = make.person("planner")
    movements.receive(shelf, kind, 2, lot="", client_id=uuid.uuid4(), by=planner, now=make.NOW)
    client.force_login(planner)
    page = send(client, shelf, "move", kind=kind.pk, quantity=3, to_place=van.pk)
    assert page.status_code == 422
    text = page.content.decode()
    assert "holds 2" in text
    assert "Count the place" in text
    assert (count(shelf, kind), count(van, kind)) == (2, 0)
    assert StockMovement.objects.count() == 1


@pytest.mark.parametrize(
    ("fields", "field"),
    [({"counted": -1, "reason": "x"}, "counted"), ({"counted": 3, "reason": " "}, "reason"),
     ({"counted": "many", "reason": "x"}, "counted"), ({"counted": 10**9, "reason": "x"}, "counted")],
)  # fmt: skip
def test_a_count_that_can_not_be_is_refused_beside_its_field(client, depot, fields, field):
    shelf, _, _ = depot
    client.force_login(make.person("planner"))
    page = send(client, shelf, "count", kind=make.part_kind().pk, **fields)
    assert page.status_code == 422
    forms = {name: form for name, _, form, _ in page.context["forms"]}
    assert field in forms["count"].errors
    assert not StockMovement.objects.exists()


def test_a_corrected_count_keeps_its_reason(client, depot):
    shelf, _, _ = depot
    kind = make.part_kind()
    planner = make.person("planner")
    movements.receive(shelf, kind, 5, lot="", client_id=uuid.uuid4(), by=planner, now=make.NOW)
    client.force_login(planner)
    send(client, shelf, "count", kind=kind.pk, counted=0, reason="Flooded shelf.")
    moved = StockMovement.objects.order_by("pk").last()
    assert (moved.quantity, moved.note, moved.by) == (-5, "Counted 0: Flooded shelf.", planner)
    assert count(shelf, kind) == 0


def test_a_technician_loads_and_counts_the_own_van_only(client, depot):
    shelf, van, technician = depot
    kind = make.part_kind()
    planner = make.person("planner")
    movements.receive(shelf, kind, 5, lot="", client_id=uuid.uuid4(), by=planner, now=make.NOW)
    client.force_login(technician.person)
    assert send(client, shelf, "move", kind=kind.pk, quantity=2, to_place=van.pk).status_code == 302
    assert send(client, van, "count", kind=kind.pk, counted=1, reason="One leaked.").status_code == 302
    assert (count(shelf, kind), count(van, kind)) == (3, 1)
    assert send(client, shelf, "count", kind=kind.pk, counted=50, reason="x").status_code == 422
    assert send(client, shelf, "receive", kind=kind.pk, quantity=5).status_code == 422
    assert (count(shelf, kind), count(van, kind)) == (3, 1)


def test_a_technician_takes_nothing_from_a_colleagues_van(depot):
    shelf, van, technician = depot
    colleague = make.technician(branch=technician.branch)
    movements.set_up_places(None)
    theirs = StockPlace.objects.get(technician=colleague)
    kind = make.part_kind()
    given = {"lot": "", "client_id": uuid.uuid4(), "now": make.NOW}
    for from_place, to_place in ((theirs, van), (van, theirs), (theirs, shelf)):
        with pytest.raises(DomainError, match="not yours"):
            movements.move(kind, 1, from_place=from_place, to_place=to_place, by=technician.person, **given)


@pytest.mark.parametrize(
    ("role", "status"), [("planner", 200), ("owner", 200), ("integrator", 200), ("technician", 200)]
)
def test_every_role_that_sees_stock_sees_the_page(client, role, status):
    client.force_login(make.person(role))
    assert client.get(reverse("stock")).status_code == status


@pytest.mark.parametrize(
    ("role", "name", "status"),
    [("technician", "needs_file", 403), ("integrator", "needs_file", 200), ("planner", "needs_file", 200),
     ("technician", "set_up_stock", 403), ("integrator", "set_up_stock", 403)],
)  # fmt: skip
def test_ordering_and_setting_up_are_the_offices(client, role, name, status):
    client.force_login(make.person(role))
    answer = client.get(reverse(name, args=["csv"])) if name == "needs_file" else client.post(reverse(name))
    assert answer.status_code == status


def test_an_integrator_sees_stock_and_changes_none(client, depot):
    shelf, _, _ = depot
    client.force_login(make.person("integrator"))
    assert client.get(reverse("stock_place", args=[shelf.code])).context["forms"] == []
    assert send(client, shelf, "receive", kind=make.part_kind().pk, quantity=5).status_code == 422
    assert not StockMovement.objects.exists()


def test_another_branchs_places_are_not_there(client, depot):
    shelf, _, _ = depot
    for stranger in (make.person("planner", branch=make.branch()), make.technician().person):
        client.force_login(stranger)
        assert client.get(reverse("stock_place", args=[shelf.code])).status_code == 404
        assert shelf.name not in client.get(reverse("stock")).content.decode()


def test_a_van_lacks_on_the_second_day_what_the_first_takes(depot):
    _, _, technician = depot
    kind = make.part_kind()
    orders = [make.work_order(make.treatment_unit()) for _ in range(2)]
    for order in orders:
        order.needed_parts.create(kind=kind, quantity=2)
    make.van(technician, kind, 3)
    first = make.route(technician, orders[:1])
    second = make.route(technician, orders[1:], make.TODAY + timedelta(1))
    rows = queries.van_loads(make.TODAY, 7, None)
    assert [(row["route_pk"], row["on_van"], row["missing"]) for row in rows] == [
        (first.pk, 3, 0),
        (second.pk, 1, 1),
    ]


def test_what_to_order_counts_orders_and_due_parts_once(client):
    unit = make.whole_unit()
    kind = unit.parts.get(position__code="carbon").kind
    for code, days in (("carbon", 10), ("membrane", 400)):
        part = unit.parts.get(position__code=code)
        due = make.TODAY + timedelta(days)
        PartState.objects.create(part=part, treatment_unit=unit, early_on=due, likely_on=due, late_on=due,
                                 assessed_at=make.NOW)  # fmt: skip
    (row,) = queries.needs(make.TODAY, 6, None)
    assert (row.kind_code, row.standing, row.hold, row.to_order) == (kind.code, 0, 1, 1)
    order = make.work_order(unit, part=unit.parts.get(position__code="carbon"))
    order.needed_parts.create(kind=kind)
    (row,) = queries.needs(make.TODAY, 6, None)
    assert (row.standing, row.expected, row.hold) == (1, 0, 1)
    client.force_login(make.person("planner"))
    answer = client.get(reverse("needs_file", args=["csv"]))
    (line,) = csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig")))
    assert line["To order"] == "1"


class CountsAreTheSumOfMovements(DjangoTestCase):
    """Whatever is received, carried, counted or refused, in whatever order."""

    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["receive", "move", "back", "count"]), st.integers(0, 6), st.booleans()
            ),
            max_size=12,
        )
    )
    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    def test_whatever_happens(self, steps):
        technician = make.technician()
        movements.set_up_places(technician.branch_id)
        van = technician.van
        shelf = StockPlace.objects.get(technician=None, branch=technician.branch)
        kind, planner = make.part_kind(), make.person("planner")
        for what, number, has_lot in steps:
            given = {"lot": "L" if has_lot else "", "client_id": uuid.uuid4(), "by": planner, "now": make.NOW}
            try:
                if what == "receive":
                    movements.receive(shelf, kind, number, **given)
                elif what == "count":
                    movements.correct_count(van, kind, number, reason="counted", **given)
                else:
                    places = (shelf, van) if what == "move" else (van, shelf)
                    movements.move(kind, number, from_place=places[0], to_place=places[1], **given)
            except DomainError:
                pass
        for level in StockLevel.objects.all():
            moved = StockMovement.objects.filter(place=level.place, kind=level.kind, lot=level.lot)
            assert level.quantity == (moved.aggregate(total=Sum("quantity"))["total"] or 0)
            assert level.quantity >= 0
