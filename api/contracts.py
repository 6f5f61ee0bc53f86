"""Service plans with their prices and rests."""

from django.db.models import Prefetch
from django.utils import timezone
from django_filters.rest_framework import CharFilter, FilterSet
from rest_framework import serializers

from api.fields import Body, DayField, DayFilter, Row
from api.viewsets import RowViewSet, operation
from fleet.models import AuditArea
from scheduling.contracts import prices
from scheduling.contracts.prices import MOST_AMOUNT
from scheduling.models import PlanPeriod, PlanPrice, ServicePlan
from shared.messages import message
from shared.roles import Permission


class PriceRow(Row):
    """A price from a day on."""

    class Meta:
        model = PlanPrice
        fields = ["from_on", "amount"]


class PeriodRow(Row):
    """A stretch of days with a lower price or none."""

    class Meta:
        model = PlanPeriod
        fields = ["kind", "from_on", "to_on", "percent_off", "why"]


class PlanRow(Row):
    """A service plan of a site, or of one treatment unit there."""

    prices = PriceRow(many=True, read_only=True)
    periods = PeriodRow(many=True, read_only=True)

    class Meta:
        model = ServicePlan
        fields = [
            "id", "code", "name", "site_id", "site_code", "treatment_unit_id", "interval",
            "visit_every_months", "includes_parts", "starts_on", "ends_on", "renews_on", "notice_days",
            "escalator_percent", "prices", "periods",
        ]  # fmt: skip


class NewPrice(Body):
    """A price from a day on, per the plan's interval, before tax."""

    from_on = DayField()
    amount = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=MOST_AMOUNT)


class NewPeriod(Body):
    """Percent off from a day on, up to a day (not included); no percent: the plan rests."""

    from_on = DayField()
    to_on = DayField(required=False, allow_null=True, default=None)
    percent_off = serializers.DecimalField(
        max_digits=5,
        decimal_places=2,
        min_value=0,
        max_value=100,
        required=False,
        allow_null=True,
        default=None,
    )
    why = serializers.CharField(max_length=160)


class PlanFilter(FilterSet):
    """Of service plans."""

    code = CharFilter()
    site_code = CharFilter(field_name="site__code")
    treatment_unit_serial = CharFilter(field_name="treatment_unit__serial")
    ends_from = DayFilter(field_name="ends_on", lookup_expr="gte")


class PlanViewSet(RowViewSet):
    """List service plans with their prices, rests and discounts."""

    shows = "service plan"
    needs = (Permission.SEE_REVENUE,)
    queryset = ServicePlan.objects.select_related("site", "treatment_unit").prefetch_related(
        Prefetch("prices", PlanPrice.objects.order_by("from_on")),
        Prefetch("periods", PlanPeriod.objects.order_by("from_on", "pk")),
    )
    serializer_class = PlanRow
    filterset_class = PlanFilter
    orderings = ("id", "code")

    @operation("add_plan_price", Permission.CORRECT_MONEY, NewPrice, PlanRow, at="prices", status=201)
    def prices(self, plan: ServicePlan, values: dict) -> int:
        """Give a plan a new price from a day on."""
        price = prices.set_price(plan, **values)
        self.note(message("plan price set"), AuditArea.MONEY, plan.code, prices.told_price(price))
        return plan.pk

    @operation("add_plan_period", Permission.CORRECT_MONEY, NewPeriod, PlanRow, at="periods", status=201)
    def periods(self, plan: ServicePlan, values: dict) -> int:
        """Let a plan rest, or take a share off its price, for a stretch of days."""
        values |= {"by": self.request.user, "now": timezone.now()}
        if values["percent_off"] is None:
            del values["percent_off"]
            period = prices.pause(plan, **values)
        else:
            period = prices.discount(plan, **values)
        self.note(message("discount or pause set"), AuditArea.MONEY, plan.code, prices.told_period(period))
        return plan.pk
