"""What lists can be filtered by, one class per list."""

from django_filters import rest_framework as filters

from api.moments import DayFilter, MomentFilter
from fleet.models import FindingKind, MeterWater, PartRole, ReadinessState
from scheduling.models import EntryKind, OrderKind, OrderState, Outcome


class SiteFilter(filters.FilterSet):
    """Of sites."""

    code = filters.CharFilter()
    customer_code = filters.CharFilter(field_name="customer__code")
    branch_code = filters.CharFilter(field_name="branch__code")
    area = filters.CharFilter()
    is_closed = filters.BooleanFilter()


class TreatmentUnitFilter(filters.FilterSet):
    """Of treatment units."""

    serial = filters.CharFilter()
    site_code = filters.CharFilter(field_name="site__code")
    branch_code = filters.CharFilter(field_name="site__branch__code")
    readiness = filters.ChoiceFilter(field_name="state__readiness", choices=ReadinessState.choices)
    is_decaying = filters.BooleanFilter(field_name="state__is_decaying")
    is_out_of_service = filters.BooleanFilter()
    next_due_to = DayFilter(field_name="state__next_due_on", lookup_expr="lte")


class OfUnitFilter(filters.FilterSet):
    """Of whatever belongs to a treatment unit."""

    treatment_unit_serial = filters.CharFilter(field_name="treatment_unit__serial")
    site_code = filters.CharFilter(field_name="treatment_unit__site__code")


class PartFilter(OfUnitFilter):
    """Of parts."""

    kind_code = filters.CharFilter(field_name="kind__code")
    role = filters.ChoiceFilter(field_name="kind__role", choices=PartRole.choices)
    lot = filters.CharFilter()
    is_in_place = filters.BooleanFilter(field_name="removed_at", lookup_expr="isnull")
    installed_from = MomentFilter(field_name="installed_at", lookup_expr="gte")
    installed_to = MomentFilter(field_name="installed_at", lookup_expr="lt")


class PartStateFilter(OfUnitFilter):
    """Of the state of parts."""

    kind_code = filters.CharFilter(field_name="part__kind__code")
    likely_from = DayFilter(field_name="likely_on", lookup_expr="gte")
    likely_to = DayFilter(field_name="likely_on", lookup_expr="lte")


class FindingFilter(OfUnitFilter):
    """Of findings."""

    kind = filters.ChoiceFilter(choices=FindingKind.choices)
    is_standing = filters.BooleanFilter(field_name="gone_at", lookup_expr="isnull")
    likely_to = DayFilter(field_name="likely_on", lookup_expr="lte")
    changed_from = MomentFilter(field_name="changed_at", lookup_expr="gte")


class MeterFilter(OfUnitFilter):
    """Of meters."""

    serial = filters.CharFilter()
    water = filters.ChoiceFilter(choices=MeterWater.choices)
    is_in_place = filters.BooleanFilter(field_name="removed_at", lookup_expr="isnull")


class ReadingFilter(OfUnitFilter):
    """Of readings."""

    is_latest = filters.BooleanFilter()
    read_from = MomentFilter(field_name="read_at", lookup_expr="gte")
    read_to = MomentFilter(field_name="read_at", lookup_expr="lt")
    recorded_from = MomentFilter(field_name="recorded_at", lookup_expr="gte")


class MeterReadingFilter(ReadingFilter):
    """Of meter readings."""

    water = filters.ChoiceFilter(choices=MeterWater.choices)


class FeedTestFilter(filters.FilterSet):
    """Of feed tests."""

    site_code = filters.CharFilter(field_name="site__code")
    supply_code = filters.CharFilter(field_name="supply__code")
    sampled_from = MomentFilter(field_name="sampled_at", lookup_expr="gte")
    sampled_to = MomentFilter(field_name="sampled_at", lookup_expr="lt")


class WorkOrderFilter(filters.FilterSet):
    """Of work orders."""

    kind = filters.ChoiceFilter(choices=OrderKind.choices)
    state = filters.ChoiceFilter(choices=OrderState.choices)
    treatment_unit_serial = filters.CharFilter(field_name="treatment_unit__serial")
    site_code = filters.CharFilter(field_name="site__code")
    window_from = DayFilter(field_name="window_to", lookup_expr="gte")
    window_to = DayFilter(field_name="window_from", lookup_expr="lte")
    changed_from = MomentFilter(field_name="changed_at", lookup_expr="gte")


class RouteFilter(filters.FilterSet):
    """Of published routes."""

    technician_code = filters.CharFilter(field_name="technician__code")
    branch_code = filters.CharFilter(field_name="technician__branch__code")
    day_from = DayFilter(field_name="day", lookup_expr="gte")
    day_to = DayFilter(field_name="day", lookup_expr="lte")


class CloseOutFilter(filters.FilterSet):
    """Of close-outs."""

    outcome = filters.ChoiceFilter(choices=Outcome.choices)
    treatment_unit_serial = filters.CharFilter(field_name="order__treatment_unit__serial")
    technician_code = filters.CharFilter(field_name="technician__code")
    is_standing = filters.BooleanFilter(field_name="undone_at", lookup_expr="isnull")
    finished_from = MomentFilter(field_name="finished_at", lookup_expr="gte")
    finished_to = MomentFilter(field_name="finished_at", lookup_expr="lt")
    received_from = MomentFilter(field_name="received_at", lookup_expr="gte")


class RevenueEntryFilter(filters.FilterSet):
    """Of revenue entries."""

    kind = filters.ChoiceFilter(choices=EntryKind.choices)
    site_code = filters.CharFilter(field_name="site__code")
    month_from = DayFilter(field_name="month", lookup_expr="gte")
    month_to = DayFilter(field_name="month", lookup_expr="lte")
    entered_from = MomentFilter(field_name="entered_at", lookup_expr="gte")


class TechnicianFilter(filters.FilterSet):
    """Of technicians."""

    code = filters.CharFilter()
    branch_code = filters.CharFilter(field_name="branch__code")
    is_active = filters.BooleanFilter()


class PlanFilter(filters.FilterSet):
    """Of service plans."""

    code = filters.CharFilter()
    site_code = filters.CharFilter(field_name="site__code")
    treatment_unit_serial = filters.CharFilter(field_name="treatment_unit__serial")
    ends_from = DayFilter(field_name="ends_on", lookup_expr="gte")
