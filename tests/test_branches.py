"""Whoever works at one branch meets nothing of another's, at whatever address, in whatever file."""

import io
import re
import zipfile

import pytest
from django.db.models import CharField, EmailField, TextField

from fleet.models import (
    Branch,
    Customer,
    DeadLetter,
    Finding,
    Part,
    Person,
    ReadinessChange,
    Site,
    TreatmentUnit,
    Webhook,
)
from scheduling.models import (
    CloseOut,
    InvoiceLine,
    Notice,
    PlanPeriod,
    PlanRevision,
    RevenueEntry,
    ServicePlan,
    StockPlace,
    Technician,
    ToldVisit,
    UnplacedOrder,
    WorkOrder,
)
from shared.roles import Role
from tests import factories as make
from tests.api.rows import Everything
from tests.record.company import ELSEWHERE, Company
from tests.record.walk import Walker, _lists, addresses, filled

pytestmark = [pytest.mark.sqlite, pytest.mark.django_db]
SIGN = "qzx"
MARKED = re.compile(rf"{SIGN}\d")
"""Begins every word that is the other branch's; no page has it of its own."""
NAMED = {
    Customer: ("code", "name", "email", "phone"),
    Site: ("code", "name", "address", "area", "access_note"),
    TreatmentUnit: ("serial", "label", "note"),
    Part: ("serial", "lot"),
    Technician: ("code", "name"),
    Person: ("first_name", "last_name", "email"),
    StockPlace: ("code", "name"),
    ServicePlan: ("code", "name"),
    PlanPeriod: ("why",),
    InvoiceLine: ("customer_code", "customer_name", "site_code", "site_name", "text"),
    RevenueEntry: ("text",),
    CloseOut: ("note", "signed_by"),
    WorkOrder: ("why",),
    UnplacedOrder: ("text",),
    PlanRevision: ("what",),
    ToldVisit: ("technician",),
    Notice: ("to_email", "subject", "body"),
    DeadLetter: ("topic",),
    Webhook: ("name",),
    Finding: (),
    ReadinessChange: (),
}
"""What names something or somebody."""
NAMED_HOLE = re.compile(r"<(?:\w+:)?(\w+)>")
SEARCHES = ("?q=qzx", "?month=2026-10")
LEFT_OUT = {"personal-data/", "personal-data/<kind>/<code>/", "calendar/<secret>.ics"}
"""Who may handle people's data may so for everybody, whatever the branch; a calendar opens to whoever has
its address, logged in or not."""


def mark_all(own: Branch) -> None:
    """Give every name in the company the sign, but for those of the branch that asks."""
    others = {
        model: model._base_manager.filter(branch=own).values("pk")
        for model in (Person, Technician, StockPlace, Site)
    }
    for model, names in NAMED.items():
        for name in names:
            field = model._meta.get_field(name)
            assert isinstance(field, CharField | TextField), name
            rows = model._base_manager.all()
            for row in rows.exclude(pk__in=others[model]) if model in others else rows:
                value = f"{SIGN}{row.pk}"
                if isinstance(field, EmailField):
                    value += "@example.invalid"
                model._base_manager.filter(pk=row.pk).update(**{name: value})


def texts(body: bytes) -> str:
    """Return what a file holds; an archive's files one after the other."""
    if body.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            return " ".join(archive.read(name).decode("utf-8", "replace") for name in archive.namelist())
    return body.decode("utf-8", "replace")


def own_keys(own: Everything) -> dict[str, list]:
    """Return what fills addresses with the names of the branch that asks."""
    stop = own.route.stops.get().pk
    unit, site, order = own.unit.serial, own.site.code, own.order.pk
    return {
        "units/<serial>/positions/": [unit, "carbon"], "units/": [unit], "enter/": [unit], "answer/": [unit],
        "correct/<of>/": ["part", own.part.pk], "correct/money/": [own.entry.pk],
        "history/": ["unit", unit], "u/": [own.unit.label_code],
        "customers/": [own.customer.code], "sites/": [site], "places/": [site], "site-closures/": [site],
        "technicians/": [own.technician.code], "work-orders/": [order],
        "close-outs/": [own.close_out.pk], "own/close-outs/": [own.close_out.pk],
        "routes/": [own.route.pk], "own/routes/<pk>/": [own.route.pk],
        "plans/": [own.route.proposal_id, stop], "plans/<pk>/move/": [own.route.proposal_id],
        "revenue/margins/<code>/": [site], "revenue/plans/new/": [site], "revenue/plans/": [own.plan.code, 1],
        "api/customers/": [own.customer.pk], "api/sites/": [own.site.pk],
        "api/treatment-units/": [own.unit.pk], "api/parts/": [own.part.pk],
        "api/findings/": [own.finding.pk], "api/work-orders/": [order], "api/routes/": [own.route.pk],
        "api/close-outs/": [own.close_out.pk], "api/technicians/": [own.technician.pk],
        "api/plans/": [own.plan.pk], "api/revenue-entries/": [own.entry.pk],
    }  # fmt: skip


def place_of(company: Company, keys: dict[str, list], address: str) -> str:
    """Return an address with names put in; where the record has none, by what is asked."""
    try:
        return filled(address, keys)
    except (LookupError, StopIteration):
        names = {"serial": company.unit.serial, "code": company.site.code, "form": "csv"}
        return "/" + NAMED_HOLE.sub(lambda hole: str(names.get(hole[1], 1)), address)


@pytest.fixture
def company(time_machine, settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path
    monkeypatch.setattr("vl_convert.vegalite_to_svg", lambda *_, **__: "<svg></svg>")
    time_machine.move_to(make.NOW, tick=False)
    company = Company()
    mark_all(company.other_branch)
    for row in list(vars(company).values()):
        if hasattr(row, "refresh_from_db"):
            row.refresh_from_db()
    for role in (Role.OWNER, Role.INTEGRATOR):
        company.people[f"{role}{ELSEWHERE}"] = make.person(role, branch=company.other_branch)
    return company


@pytest.mark.parametrize("role", [Role.OWNER, Role.PLANNER, Role.INTEGRATOR])
def test_no_address_tells_anything_of_another_branch(company, role):
    walker = Walker(company, f"{role}{ELSEWHERE}")
    # Made after the names of all else were marked: the own branch's bear no mark.
    own = walker.keys | own_keys(Everything(branch=company.other_branch))
    told, answered = {}, set()

    def look(address: str, place: str) -> dict[str, str]:
        answer, body = walker._ask("GET", place)
        if answer.status_code != 200:
            return {}
        answered.add(address)
        if met := MARKED.search(texts(body)):
            told[place] = met.string[max(0, met.start() - 60) : met.end() + 20]
        return _lists(answer, body)

    for address in addresses():
        if address in LEFT_OUT:
            continue
        query = walker.queries.get(address, "")
        if "<" in address:
            look(address, place_of(company, walker.keys, address) + query)
        place = place_of(company, own, address)
        for file in look(address, place + query):
            look(address, place + file)
        for search in () if "<" in address else SEARCHES:
            look(address, place + search)
    assert told == {}
    # Pages about one thing of the own branch were really seen; an integrator sees few.
    if role != Role.INTEGRATOR:
        assert {"sites/<code>/", "units/<serial>/", "work-orders/<pk>/", "customers/<code>/"} <= answered
