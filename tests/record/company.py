"""A small invented company with one of each thing that an address may name, and those who ask for them."""

import uuid
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal

from django.apps import apps
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import resolve

from api.tokens import make_token
from fleet.assessment import runs
from scheduling.billing.invoicing import end_month
from scheduling.customers.calendars import new_secret
from scheduling.orders.steps import ensure_step_sheets
from scheduling.visits.visit_report import link_of
from shared.roles import Permission, Role
from tests import factories as make
from tests.photo_files import jpeg

NOW, TODAY = make.NOW, make.TODAY
LAST_MONTH = date(2026, 10, 1)
ANONYMOUS = "anonymous"
ELSEWHERE = "_elsewhere"
"""Ends the name of one who works at another branch."""
WHO = [ANONYMOUS, *Role, f"{Role.PLANNER}{ELSEWHERE}", f"{Role.TECHNICIAN}{ELSEWHERE}"]
BAD_ROWS = b"code,name,email\nK1,Amber Bakery (invented),baker@example.invalid\n,No code,\n"


def new(label: str, **given):
    """Make one row of a table, e.g. ``new("fleet.Webhook", name="x")``."""
    return apps.get_model(label).objects.create(**given)


class Company:
    """Everything at one branch. Names are given, so that they are the same in every run."""

    def __init__(self) -> None:
        ensure_step_sheets(NOW)
        self.branch = make.branch(code="north", name="North")
        self.other_branch = make.branch(code="south", name="South")
        self.people = dict(self._people())
        self._fleet()
        self._work()
        self._money()
        self._outside()
        self._kept()

    def client(self, who: str) -> Client:
        """Return a browser in which somebody is logged in, or nobody."""
        client = Client(raise_request_exception=False)
        if who != ANONYMOUS:
            client.force_login(self.people[who])
        return client

    def _people(self) -> Iterator[tuple[str, object]]:
        for who in WHO[1:]:
            branch = self.other_branch if who.endswith(ELSEWHERE) else self.branch
            role = who.removesuffix(ELSEWHERE)
            yield who, make.person(role, username=who, branch=branch, email=f"{who}@example.invalid")

    def _fleet(self) -> None:
        self.customer = make.customer(code="K1", name="Amber Bakery", email="bakery@example.invalid")
        supply = make.supply(code="COR", name="Corvane waterworks")
        places = [{"code": "S1", "name": "High Street"}, {"code": "S2", "name": "Mill Road"}]
        self.site, self.second_site = (
            make.site(customer=self.customer, branch=self.branch, supply=supply, **place) for place in places
        )
        self.unit = make.whole_unit(serial="TU-1", site=self.site)
        self.second_unit = make.whole_unit(serial="TU-2", site=self.second_site)
        self.carbon = self.unit.parts.get(position__code="carbon")
        runs.assess_units([self.unit.pk, self.second_unit.pk], NOW)
        self.finding = self.unit.findings.order_by("pk").first() or make.finding(self.unit)

    def _work(self) -> None:
        person = self.people[Role.TECHNICIAN]
        self.technician = make.technician(person=person, code="ines", name="Ines", branch=self.branch)
        make.technician(
            person=self.people[f"{Role.TECHNICIAN}{ELSEWHERE}"], code="bram", name="Bram",
            branch=self.other_branch,
        )  # fmt: skip
        make.van(self.technician, self.carbon.kind)
        self.open = make.work_order(self.second_unit, kind="one_off", why="A leak.")
        self.order = make.work_order(self.unit, part=self.carbon)
        self.order.needed_parts.create(kind=self.carbon.kind)
        self.withdrawn = make.work_order(
            self.unit, kind="reading", state="withdrawn", ended_at=NOW, withdrawn_because="read by telephone"
        )
        self.done = make.work_order(self.unit, state="done", ended_at=NOW)
        self.visit = new(
            "scheduling.Visit", site=self.done.site, technician=self.technician, finished_at=NOW,
            received_at=NOW,
        )  # fmt: skip
        self.close_out = new(
            "scheduling.CloseOut", order=self.done, visit=self.visit, technician=self.technician,
            outcome="done", finished_at=NOW, received_at=NOW, minutes=40,
        )  # fmt: skip
        self.photo = apps.get_model("scheduling.CloseOutPhoto")(close_out=self.close_out)
        self.photo.image.save("seen.jpg", ContentFile(jpeg()), save=True)
        self.report = new(
            "scheduling.FieldReport", client_id=uuid.UUID(int=18), kind="leak", site=self.site, text="Drips",
            treatment_unit=self.unit, technician=self.technician, found_at=NOW, received_at=NOW,
        )  # fmt: skip
        self.report.image.save("found.jpg", ContentFile(jpeg()), save=True)
        self.route = make.route(self.technician, [self.order])
        self.published = self.route.proposal
        new("scheduling.UnplacedOrder", proposal=self.published, order=self.open, reason="day full", text="x")
        self.ready = make.route(
            self.technician, [self.open], TODAY + timedelta(days=1), is_in_force=False
        ).proposal
        apps.get_model("scheduling.RouteProposal").objects.update(branch=self.branch)
        new(
            "scheduling.PlanRevision", proposal=self.published, number=1, at=NOW,
            by=self.people[Role.PLANNER], what="moved",
            before={"branch": self.branch.pk, "days": [], "routes": [], "unplaced": [], "totals": {}},
        )  # fmt: skip
        new(
            "scheduling.Replan", proposal=self.ready, technician=self.technician, first_on=TODAY,
            last_on=TODAY, made_at=NOW, made_by=self.people[Role.PLANNER],
        )  # fmt: skip
        self.travel = new(
            "scheduling.TravelCorrection", site_a=self.site, site_b=self.second_site, minutes=25, set_at=NOW
        )

    def _money(self) -> None:
        owner = self.people[Role.OWNER]
        self.plan = make.plan(self.site, code="P1", renews_on=TODAY + timedelta(days=30), notice_days=60)
        self.terms = new(
            "scheduling.PlanTerms", plan=self.plan, from_on=date(2027, 1, 1), escalator_percent=Decimal(3),
            made_at=NOW, made_by=owner,
        )  # fmt: skip
        new(
            "scheduling.PlanPeriod", plan=self.plan, kind="pause", from_on=date(2027, 3, 1), percent_off=100,
            to_on=date(2027, 4, 1), why="closed", made_at=NOW, made_by=owner,
        )  # fmt: skip
        self.tax = new(
            "scheduling.TaxRate", code="ST", name="Tax", percent=Decimal("6.25"), from_on=date(2026, 1, 1)
        )
        end_month(LAST_MONTH, currency="USD", by=owner, now=NOW)
        self.batch = apps.get_model("scheduling.InvoiceBatch").objects.get()
        self.entry = new(
            "scheduling.RevenueEntry", kind="work", cause_key="work:net", site=self.site,
            month=TODAY.replace(day=1), amount=Decimal("38.00"), text="Carbon", entered_at=NOW,
            close_out=self.close_out,
        )  # fmt: skip
        self.paid = new("scheduling.PaidFile", name="paid.csv", read_at=NOW, read_by=owner)
        new("scheduling.PaidLine", file=self.paid, line=self.batch.lines.order_by("number")[0], paid_on=TODAY)

    def _outside(self) -> None:
        planner = self.people[Role.PLANNER]
        self.secret = new_secret(self.technician, by=planner, now=NOW)
        self.feed = apps.get_model("scheduling.CalendarFeed").objects.get()
        self.webhook = new(
            "fleet.Webhook", name="books", url="https://books.example/hook", kinds=["order.raised"],
            branch=self.branch, made_at=NOW, made_by=planner,
        )  # fmt: skip
        event = new("fleet.WebhookEvent", kind="order.raised", happened_at=NOW, body="{}")
        self.delivery = new(
            "fleet.WebhookDelivery", event=event, webhook=self.webhook, next_try_at=NOW, tries=1
        )
        new("fleet.WebhookAttempt", delivery=self.delivery, at=NOW, status=500, milliseconds=30)
        self.map = new(
            "fleet.TelemetryMap", name="gateway", topic="plant/{serial}/meters", counts_from=NOW, made_at=NOW,
            made_by=planner, is_on=False,
        )  # fmt: skip
        self.dead_letter = new(
            "fleet.DeadLetter", fingerprint="f" * 64, branch=self.branch, topic="plant/TU-9/meters",
            payload=b"{}", payload_bytes=2, reason="unknown serial", first_at=NOW, last_at=NOW,
        )  # fmt: skip
        new("fleet.LastHeard", treatment_unit=self.unit, source="permeate", heard_at=NOW, read_at=NOW)
        visit = new(
            "scheduling.ToldVisit", site=self.site, arrives_from=NOW, arrives_until=NOW + timedelta(hours=1),
            minutes=40, technician="Ines",
        )  # fmt: skip
        self.notice = new(
            "scheduling.Notice", cause_key="booked:1", visit=visit, customer=self.customer, kind="booked",
            to_email="bakery@example.invalid", subject="Visit", body="Dear Bakery", calendar="x", made_at=NOW,
            next_try_at=NOW,
        )  # fmt: skip

    def _kept(self) -> None:
        planner = self.people[Role.PLANNER]
        self.view = new(
            "scheduling.SavedView", owner=planner, view_of="fleet_list", name="mine", query="q=1", made_at=NOW
        )
        self.removed_view = new(
            "scheduling.SavedView", owner=planner, view_of="fleet_list", name="was mine", query="q=2",
            made_at=NOW, removed_at=NOW,
        )  # fmt: skip
        self.job = new("scheduling.LongJob", kind="upkeep", made_at=NOW, made_by=planner)
        self.token, _ = make_token(
            planner, name="books", permissions=[Permission.SEE_FLEET], days=30, now=NOW
        )
        sent = {"workbook": SimpleUploadedFile("customers.csv", BAD_ROWS, "text/csv")}
        answer = self.client(Role.PLANNER).post("/import/", sent)
        self.upload = resolve(answer["Location"]).kwargs["token"]
        days = {"first_on": TODAY, "last_on": TODAY}
        self.absence = new("scheduling.Absence", technician=self.technician, **days)
        self.closure = new("scheduling.SiteClosure", site=self.second_site, **days)
        lines = [{"plan": self.plan.code, "old": "60.00", "new": "61.20"}]
        self.price_change = new(
            "scheduling.PriceChange", from_on=TODAY, percent=2, lines=lines, made_at=NOW, made_by=planner
        )
        self.model = new(
            "fleet.UnitModel",
            code="M1",
            name="Small (invented)",
            design_use_gal_per_day=200,
            design_permeate_gpm=0.5,
        )

    def keys(self) -> dict[str, list[str]]:
        """Return the ways to fill each address that names something; the longest beginning counts."""
        stop = self.route.stops.get().pk
        day = TODAY.isoformat()
        return {
            "saved-views/<pk>/remove/": [self.view.pk],
            "saved-views/<pk>/put-back/": [self.removed_view.pk],
            "units/<serial>/positions/": [self.unit.serial, "carbon"],
            "units/": [self.unit.serial],
            "enter/": [self.unit.serial],
            "correct/<of>/": ["part", self.carbon.pk],
            "correct/money/": [self.entry.pk],
            "history/": ["unit", self.unit.serial],
            "answer/": [self.unit.serial],
            "customers/": [self.customer.code],
            "places/": [self.site.code],
            "supplies/": ["COR"],
            "catalogue/kinds/": [self.carbon.kind.code],
            "catalogue/models/": [self.model.code],
            "technicians/": [self.technician.code],
            "absences/": [self.absence.pk],
            "closures/": [self.closure.pk],
            "site-closures/": [self.site.code],
            "people/": ["technician"],
            "revenue/price-changes/": [self.price_change.pk],
            "revenue/plans/new/": [self.site.code],
            "log-in/new-password/": ["MQ", "no-token"],
            "own/stops/": [stop],
            "phone/visit/": [stop],
            "api/customers/": [self.customer.pk],
            "api/supplies/": [self.unit.site.supply_id],
            "api/part-kinds/": [self.carbon.kind_id],
            "api/unit-models/": [self.model.pk],
            "api/corrections/": [0],
            "api/meter-readings/": [0],
            "sites/": [self.site.code],
            "import/": [self.upload],
            "jobs/": [self.job.pk],
            "work-orders/<pk>/reopen/": [self.withdrawn.pk],
            "work-orders/<pk>/promise/": [self.open.pk],
            "work-orders/": [self.order.pk],
            "close-outs/": [self.close_out.pk],
            "own/close-outs/": [self.close_out.pk],
            "visits/": [self.visit.pk],
            "own/visits/": [self.visit.pk],
            "visit-reports/": [link_of(self.visit, "us")],
            "own/orders/": [self.done.pk],
            "own/photos/": [self.photo.pk],
            "own/routes/<on>/": [day],
            "own/routes/<pk>/": [self.route.pk],
            "routes/": [self.route.pk],
            "steps/": ["change_due", 1],
            "stock/<code>/": ["van-ines"],
            "notices/": [self.notice.pk],
            "personal-data/": ["customer", self.customer.code],
            "u/": [self.unit.label_code],
            "plans/driving-times/": [self.travel.pk],
            "plans/<pk>/re-plan/": [self.ready.pk],
            "plans/<pk>/publish/": [self.ready.pk],
            "plans/<pk>/set-aside/": [self.ready.pk],
            "plans/<pk>/move/": [self.published.pk],
            "plans/": [self.published.pk, stop],
            "calendars/": [self.feed.pk],
            "calendar/": [self.secret],
            "phone/day/": [day],
            "phone/close-out/": [self.order.pk],
            "phone/close-outs/": [self.close_out.client_id],
            "field-reports/": [self.report.pk],
            "photos/": [self.photo.pk],
            "telemetry/maps/": [self.map.name],
            "telemetry/refused/": [self.dead_letter.pk],
            "webhooks/events/": [self.delivery.pk],
            "webhooks/": [self.webhook.pk],
            "revenue/margins/<code>/": [self.site.code],
            "revenue/forecast/<code>/": [self.carbon.kind.code],
            "revenue/plans/": [self.plan.code, self.terms.pk],
            "revenue/invoices/paid/": [self.paid.pk],
            "revenue/taxes/": [self.tax.pk],
            "revenue/invoices/": [self.batch.pk],
            "guide/": ["planner"],
            "api/sites/": [self.site.pk],
            "api/treatment-units/": [self.unit.pk],
            "api/parts/": [self.carbon.pk],
            "api/findings/": [self.finding.pk],
            "api/work-orders/": [self.open.pk],
            "api/routes/": [self.route.pk],
            "api/close-outs/": [self.close_out.pk],
            "api/technicians/": [self.technician.pk],
            "api/plans/": [self.plan.pk],
            "api/revenue-entries/": [self.entry.pk],
            "api/own-tokens/": [self.token.pk],
        }

    def queries(self) -> dict[str, str]:
        """Return what is asked with the addresses that tell nothing without."""
        return {
            "plans/<pk>/move/": f"?stop={self.route.stops.get().pk}",
            "labels/sheet.pdf": "?stock=a4_3x8",
        }
