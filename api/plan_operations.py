"""Technicians with their absences, service plans with their prices and rests."""

from django.db import transaction
from django.db.models import Prefetch
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from api import filters, plan_rows
from api.edits import IF_MATCH, EditRow, given
from api.noting import note
from api.operations import ListRows, ShowRow
from fleet.models import AuditArea
from scheduling.contracts import prices
from scheduling.models import PlanPeriod, PlanPrice, ServicePlan, Technician
from scheduling.routes import replanning
from shared.messages import message
from shared.roles import Permission


class ListTechnicians(ListRows):
    """List technicians with their absences."""

    needs = (Permission.SEE_WORK,)
    queryset = Technician.objects.select_related("branch").prefetch_related("skills", "absences")
    serializer_class = plan_rows.TechnicianRow
    filterset_class = filters.TechnicianFilter
    orderings = ("id", "code", "name")


class ShowTechnician(ShowRow, of=ListTechnicians):
    """Show one technician."""


class AddAbsence(EditRow):
    """Write a technician's absence. Published routes stay as they are until they are planned anew."""

    needs = (Permission.PLAN_ROUTES,)
    shown_by = ListTechnicians
    serializer_class = plan_rows.NewAbsence

    @extend_schema(responses={201: plan_rows.TechnicianRow}, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Add it."""
        technician = self.row_to_edit(request, pk)
        values = given(self, request)
        absence = replanning.write_absence(
            technician.branch, technician, values["first_on"], values["last_on"], values["reason"],
            timezone.localdate(),
        )  # fmt: skip
        # Why somebody is away is nobody's business in the trail.
        told = f"{absence.first_on} to {absence.last_on}"
        note(request, message("absence written"), AuditArea.PLANS, technician.name, told)
        return self.shown(pk, 201)


class ListPlans(ListRows):
    """List service plans with their prices, rests and discounts."""

    needs = (Permission.SEE_REVENUE,)
    queryset = ServicePlan.objects.select_related("site", "treatment_unit").prefetch_related(
        Prefetch("prices", PlanPrice.objects.order_by("from_on")),
        Prefetch("periods", PlanPeriod.objects.order_by("from_on", "pk")),
    )
    serializer_class = plan_rows.PlanRow
    filterset_class = filters.PlanFilter
    orderings = ("id", "code")


class ShowPlan(ShowRow, of=ListPlans):
    """Show one service plan."""


class AddPlanPrice(EditRow):
    """Give a plan a new price from a day on."""

    needs = (Permission.CORRECT_MONEY,)
    shown_by = ListPlans
    serializer_class = plan_rows.NewPrice

    @extend_schema(responses={201: plan_rows.PlanRow}, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Add it."""
        plan = self.row_to_edit(request, pk)
        price = prices.set_price(plan, **given(self, request))
        note(request, message("plan price set"), AuditArea.MONEY, plan.code, prices.told_price(price))
        return self.shown(pk, 201)


class AddPlanPeriod(EditRow):
    """Let a plan rest, or take a share off its price, for a stretch of days."""

    needs = (Permission.CORRECT_MONEY,)
    shown_by = ListPlans
    serializer_class = plan_rows.NewPeriod

    @extend_schema(responses={201: plan_rows.PlanRow}, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Add it."""
        plan = self.row_to_edit(request, pk)
        values = {**given(self, request), "by": request.user, "now": timezone.now()}
        if values["percent_off"] is None:
            del values["percent_off"]
            period = prices.pause(plan, **values)
        else:
            period = prices.discount(plan, **values)
        note(
            request, message("discount or pause set"), AuditArea.MONEY, plan.code, prices.told_period(period)
        )
        return self.shown(pk, 201)
