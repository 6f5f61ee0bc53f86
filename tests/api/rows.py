"""One of each thing the API shows, in a branch of its own; and calling it with a token."""

import json
from datetime import timedelta
from decimal import Decimal

from django.test import Client

from api.tokens import make_token, permissions_on_offer
from fleet.models import Correction, PartState, Person, UnitState
from scheduling.models import CloseOut, RevenueEntry
from tests import factories as make

KINDS = {
    "customers": "customer", "sites": "site", "treatment-units": "unit", "parts": "part",
    "findings": "finding",
    "work-orders": "order", "routes": "route", "close-outs": "close_out", "revenue-entries": "entry",
    "supplies": "supply", "part-kinds": "kind", "unit-models": "model",
    "technicians": "technician", "plans": "plan",
}  # fmt: skip
"""Address → attribute of what ``everything_in`` makes."""


class Everything:
    """One of each in one branch."""

    def __init__(self, branch=None):
        self.branch = branch or make.branch()
        self.site = make.site(branch=self.branch)
        self.customer = self.site.customer
        self.supply = self.site.supply
        self.unit = make.treatment_unit(site=self.site)
        self.part = make.part(make.position(self.unit, "carbon", 1))
        self.kind = self.part.kind
        self.model = make.unit_model()
        self.meter = make.meter(self.unit)
        self.reading = make.meter_reading(self.meter, 100.0, make.NOW - timedelta(days=30))
        self.gauges = make.performance_reading(self.unit)
        self.feed_test = make.feed_test(site=self.site)
        UnitState.objects.create(treatment_unit=self.unit, assessed_at=make.NOW)
        self.part_state = PartState.objects.create(
            part=self.part, treatment_unit=self.unit, wear=0.5, governing="volume", assessed_at=make.NOW
        )
        self.finding = make.finding(self.unit)
        self.correction = Correction.objects.create(
            of="part", first_id=self.part.pk, now_id=self.part.pk, treatment_unit=self.unit, about="carbon",
            field="lot", was="L-1", became="L-2", reason="Misread.", door="page", at=make.NOW,
        )  # fmt: skip
        self.technician = make.technician(branch=self.branch)
        self.order = make.work_order(self.unit)
        self.route = make.route(self.technician, [self.order])
        done = make.work_order(self.unit, state="done", ended_at=make.NOW)
        self.close_out = CloseOut.objects.create(
            order=done, technician=self.technician, outcome="done", finished_at=make.NOW,
            received_at=make.NOW, minutes=40,
        )  # fmt: skip
        self.plan = make.plan(self.site)
        self.entry = RevenueEntry.objects.create(
            kind="work", cause_key=f"work:test:{make.number()}", site=self.site,
            month=make.TODAY.replace(day=1), amount=Decimal("38.00"), text="Carbon", entered_at=make.NOW,
        )  # fmt: skip


class Caller:
    """A person who calls with a token (or, where the role has none, with a session)."""

    def __init__(self, person: Person, permissions=None):
        self.person = person
        self.client = Client(raise_request_exception=True)
        self.headers = {}
        if permissions is None and not permissions_on_offer(person):
            return
        if person.role == "technician":
            self.client.force_login(person)
            return
        wanted = permissions_on_offer(person) if permissions is None else permissions
        self.token, self.secret = make_token(person, name="test", permissions=wanted, days=30, now=make.NOW)
        self.headers = {"Authorization": f"Bearer {self.secret}"}

    def call(self, method: str, address: str, body=None, **headers):
        """Call an address under /api/. A dict goes as JSON."""
        given = {name.replace("_", "-"): value for name, value in headers.items() if name != "content_type"}
        content_type = headers.get("content_type", "application/json")
        data = json.dumps(body) if isinstance(body, dict | list) else body
        return self.client.generic(
            method, f"/api/{address}", data or "", content_type=content_type, headers=self.headers | given
        )

    def get(self, address: str, query: dict | None = None, **headers):
        """Read an address."""
        return self.client.get(f"/api/{address}", query or {}, headers=self.headers | headers)


def people(branch) -> dict[str, Person]:
    """One person of each role in a branch."""
    return {
        role: make.person(role, branch=branch) for role in ("planner", "technician", "owner", "integrator")
    }
