"""Search everything: finds by what people know, tells what it is, and shows nobody what is not theirs."""

from importlib import import_module
from pathlib import Path

import pytest
from django.core.management.base import CommandError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fleet import migrations
from fleet.database.matching import Codes, squeezed
from fleet.models import TreatmentUnit
from scheduling.overview import search as searching
from scheduling.overview.search import search
from shared.migration_parts import make_trigram_extension
from tests import factories as make
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def standing(time_machine):
    """The clock stands still; tests without migrations have no extension yet."""
    time_machine.move_to(NOW, tick=False)
    if connection.vendor == "postgresql":
        make_trigram_extension(connection)


@pytest.fixture
def installed():
    """A customer with a unit, a part with marks, a meter and an order."""
    branch = make.branch()
    customer = make.customer(code="K-7731", name="Larkmoor Bakery", phone="(515) 555-0143")
    site = make.site(
        code="LM-01",
        name="Larkmoor Bakehouse",
        address="12 Quarry Lane, Ames",
        customer=customer,
        branch=branch,
    )
    unit = make.treatment_unit(serial="RO-44 017/B", label="cellar", site=site)
    make.part(make.position(unit, "carbon", 1), serial="CB-900-12", lot="L2025-11")
    make.meter(unit, serial="M-55.801")
    order = make.work_order(unit)
    make.site(name="Elsewhere", branch=branch)
    technician = make.technician(branch=branch, name="Imogen Tarrant")
    return {"branch": branch, "site": site, "unit": unit, "order": order, "technician": technician}


def found(text, by):
    return [(str(hit.kind), hit.what, hit.address) for hit in search(text, by=by, today=TODAY).hits]


def planner(branch=None):
    return make.person("planner", branch=branch)


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("larkmoor bakery", "Customer"), ("K7731", "Customer"), ("515 555 0143", "Customer"),
        ("+1 (515) 555.0143", "Customer"), ("quarry lane", "Site"), ("lm01", "Site"),
        ("Lane larkmoor", "Site"), ("ro44017b", "Treatment unit"), ("RO-44 017", "Treatment unit"),
        ("cb90012", "Part"), ("l2025-11", "Lot"), ("m55801", "Meter"), ("tarrant", "Technician"),
    ],
)  # fmt: skip
def test_each_thing_is_found_by_what_people_know_of_it(client, installed, typed, kind):
    hits = found(typed, planner(installed["branch"]))
    assert kind in {hit[0] for hit in hits}, hits
    client.force_login(planner(installed["branch"]))
    for _, what, address in hits:
        assert "Elsewhere" not in what
        assert client.get(address).status_code == 200


@pytest.mark.parametrize("typed", ["Larkmor Bakry", "Lakrmoor", "quary lane"])
def test_a_word_spelled_wrong_finds_what_is_spelled_much_like_it_and_says_so(client, installed, typed):
    client.force_login(planner())
    page = client.get(reverse("search"), {"q": typed})
    assert page.context["found"].is_like
    assert "Larkmoor" in page.content.decode()
    assert "spelled much like it" in page.content.decode()
    assert not search("zzyzx qqwwv", by=planner(), today=TODAY).hits


def test_orders_are_found_by_their_number_with_its_letter_or_without(installed):
    pk = installed["order"].pk
    address = reverse("work_order", args=[pk])
    for typed in (f"W{pk:06d}", f"w{pk}", f"{pk}"):
        assert address in {hit[2] for hit in found(typed, planner())}
    assert address not in {hit[2] for hit in found(f"W{pk:06d}", planner(make.branch()))}


@pytest.mark.parametrize(
    "typed", ["larkmoor", "K7731", "ro44017b", "cb90012", "l2025-11", "m55801", "tarrant", "Larkmor"]
)
def test_another_branch_finds_nothing_of_it(installed, typed):
    assert found(typed, planner(make.branch())) == []


def test_the_very_thing_stands_before_what_merely_holds_it(installed):
    for n in range(12):
        make.treatment_unit(serial=f"X-RO44017B-{n}", site=installed["site"])
    units = [what for kind, what, _ in found("RO-44 017/B", planner()) if kind == "Treatment unit"]
    assert units[0] == "RO-44 017/B"
    assert len(units) == searching.SHOWN


def test_a_technician_finds_own_stops_and_van_only(client, installed):
    me = make.technician(branch=installed["branch"])
    person = me.person
    assert found("larkmoor", person) == []
    make.route(me, [installed["order"]])
    hits = found("larkmoor", person)
    assert [hit[2] for hit in hits] == [reverse("close_out", args=[installed["order"].pk])]
    assert found("5550143", person) == hits
    assert found("elsewhere", person) == []
    client.force_login(person)
    assert client.get(hits[0][2]).status_code == 200


def test_every_page_leads_to_search_and_an_empty_or_short_one_says_what_to_do(client, installed):
    client.force_login(planner())
    assert 'action="/search/"' in client.get(reverse("fleet_list")).content.decode()
    assert "What are you looking for?" in client.get(reverse("search")).content.decode()
    assert "Too short" in client.get(reverse("search"), {"q": "x"}).content.decode()
    assert client.get(reverse("search"), {"q": "<script>%_' OR 1=1"}).status_code == 200


@pytest.mark.postgres
def test_the_indexes_of_the_migration_serve_every_kind(installed):
    with connection.cursor() as cursor:
        for index in list_of_indexes().items():
            name, (table, expression) = index
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(
                f"CREATE INDEX IF NOT EXISTS {name} ON {table} USING gin (({expression}) gin_trgm_ops)"
            )
        cursor.execute("SET LOCAL enable_seqscan = off; SET LOCAL enable_indexscan = off")
    with CaptureQueriesContext(connection) as asked:
        search("larkmoor", by=planner(), today=TODAY)
        search("larkmror", by=planner(), today=TODAY)
    plans = []
    with connection.cursor() as cursor:
        for query in asked.captured_queries:
            if query["sql"].startswith("SELECT") and ("UPPER(" in query["sql"]):
                cursor.execute("EXPLAIN " + query["sql"])
                plans.append("\n".join(row[0] for row in cursor.fetchall()))
    every = "\n".join(plans)
    for name in list_of_indexes():
        assert name in every, f"{name}\n{every}"


def list_of_indexes():
    name = next(Path(migrations.__file__).parent.glob("*_search_and_dates_in_order.py")).stem
    operations = import_module(f"fleet.migrations.{name}").Migration.operations
    return next(one.indexes for one in operations if hasattr(one, "indexes"))


@pytest.mark.postgres
def test_a_user_who_may_not_make_the_extension_is_told_what_to_do():
    class Refused:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            return False

        def execute(self, _sql):
            with connection.cursor() as cursor:
                cursor.execute("CREATE EXTENSION no_such_extension")

    class Elsewhere:
        settings_dict = {"NAME": "tapward"}
        cursor = Refused

    with pytest.raises(CommandError, match="run CREATE EXTENSION pg_trgm in tapward"):
        make_trigram_extension(Elsewhere())


def test_codes_are_compared_as_the_database_has_them(installed):
    assert squeezed("RO-44 017/B") in set(TreatmentUnit.objects.values_list(Codes("serial"), flat=True))
