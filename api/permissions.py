"""Who may call an operation, and which rows a call sees: the rules about single objects, all in one place.

A person with a branch sees that branch; without one, all. Who may not see everything of a kind (a technician)
sees what lies on the own routes in force. Anything else is as good as not there: 404.
"""

from typing import Final

from django.db.models import Model, Q, QuerySet
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from api.models import ApiToken
from api.tokens import NEVER_BY_TOKEN
from fleet.models import (
    Correction,
    Customer,
    FeedTest,
    Finding,
    Flush,
    Meter,
    MeterReading,
    Part,
    PartState,
    PerformanceReading,
    Site,
    TreatmentUnit,
    WaterSupply,
)
from scheduling.models import CloseOut, RevenueEntry, Route, ServicePlan, StopOrder, Technician, WorkOrder
from shared.roles import Permission


def request_may(request: Request, permission: Permission) -> bool:
    """Say whether this call may do a thing: the person's role, and the token's list where there is one."""
    if not request.user.is_authenticated or not request.user.may(permission):
        return False
    if isinstance(request.auth, ApiToken):
        return permission not in NEVER_BY_TOKEN and permission.name.lower() in request.auth.permissions
    return True


class HasPermission(BasePermission):
    """Lets a call in that may do what the operation needs. A method nobody made is for DRF to refuse."""

    message = "You may not do this: your role or your token does not allow it."

    def has_permission(self, request: Request, view) -> bool:
        """Ask for one of the ViewSet's ``needs`` to read, of the operation's own to write."""
        if request.method.lower() not in view.action_map:
            return request.user.is_authenticated
        asked = view if request.method in SAFE_METHODS else getattr(view, view.action)
        return any(request_may(request, permission) for permission in asked.needs)


_FLEET: Final = Permission.SEE_FLEET
_WORK: Final = Permission.SEE_WORK

RULES: Final[dict[type[Model], tuple[Permission, str]]] = {
    Customer: (_FLEET, ""),
    Site: (_FLEET, "branch_id"),
    TreatmentUnit: (_FLEET, "site__branch_id"),
    Part: (_FLEET, "treatment_unit__site__branch_id"),
    PartState: (_FLEET, "treatment_unit__site__branch_id"),
    Finding: (_FLEET, "treatment_unit__site__branch_id"),
    Meter: (_FLEET, "treatment_unit__site__branch_id"),
    MeterReading: (_FLEET, "treatment_unit__site__branch_id"),
    PerformanceReading: (_FLEET, "treatment_unit__site__branch_id"),
    FeedTest: (_FLEET, ""),
    Flush: (_FLEET, "treatment_unit__site__branch_id"),
    Correction: (_FLEET, ""),
    WaterSupply: (_FLEET, ""),
    Technician: (_WORK, "branch_id"),
    ServicePlan: (Permission.SEE_REVENUE, "site__branch_id"),
    WorkOrder: (_WORK, "site__branch_id"),
    Route: (_WORK, "technician__branch_id"),
    CloseOut: (_WORK, "order__site__branch_id"),
    RevenueEntry: (Permission.SEE_REVENUE, "site__branch_id"),
}
"""For each table: what lets one see all of it, and the way to its branch."""


def for_user(request: Request, rows: QuerySet) -> QuerySet:
    """Keep the rows this call may see. Raises KeyError for a table without a rule."""
    permission, way = RULES[rows.model]
    branch_id = request.user.branch_id
    if not request_may(request, permission):
        return rows.filter(_own(rows.model, request.user.pk))
    if branch_id is None:
        return rows
    served = Site.objects.filter(branch_id=branch_id, supply__isnull=False).values("supply_id")
    if rows.model is Customer:
        here = Site.objects.filter(branch_id=branch_id).values("customer_id")
        return rows.filter(Q(pk__in=here) | ~Q(pk__in=Site.objects.values("customer_id")))
    if rows.model is WaterSupply:
        return rows.filter(pk__in=served)
    if rows.model is Correction:
        own = Q(treatment_unit__site__branch_id=branch_id) | Q(site__branch_id=branch_id)
        return rows.filter(own | Q(supply_id__in=served))
    if rows.model is FeedTest:
        return rows.filter(Q(site__branch_id=branch_id) | Q(supply_id__in=served))
    return rows.filter(**{way: branch_id})


def meters_to_record(request: Request) -> QuerySet:
    """Return the meters this call may record on: those of the branch, or of the own stops."""
    return Meter.objects.filter(treatment_unit__in=units_to_record(request))


def units_to_record(request: Request) -> QuerySet:
    """Return the treatment units this call may record on: those of the branch, or of the own stops."""
    units = TreatmentUnit.objects.all()
    if request_may(request, Permission.SEE_FLEET) or not request_may(request, Permission.SEE_OWN_DAY):
        branch_id = request.user.branch_id
        return units if branch_id is None else units.filter(site__branch_id=branch_id)
    return units.filter(pk__in=_own_stops(request.user.pk).values("order__treatment_unit_id"))


def _own(model: type[Model], person_id: int) -> Q:
    if model is Site:
        return Q(pk__in=_own_stops(person_id).values("order__site_id"))
    if model is Route or model is CloseOut:
        return Q(technician__person_id=person_id)
    if model is WorkOrder:
        return Q(pk__in=_own_stops(person_id).values("order_id"))
    return Q(pk__in=[])


def _own_stops(person_id: int) -> QuerySet:
    return StopOrder.objects.filter(is_in_force=True, stop__route__technician__person_id=person_id)
