"""Service plans with their prices and rests."""

from django.db.models import Prefetch
from django.utils import timezone
from django_filters.rest_framework import CharFilter, FilterSet
from rest_framework import serializers

from api.fields import Body, DayField, DayFilter, Row
from api.viewsets import RowViewSet, operation
from fleet.models import AuditArea, Site, TreatmentUnit
from scheduling.billing import plan_changes
from scheduling.contracts import prices
from scheduling.contracts.prices import MOST_AMOUNT
from scheduling.contracts.starting import start_plan
from scheduling.models import PlanInterval, PlanPeriod, PlanPrice, ServicePlan
from shared.messages import message
from shared.periods import local_day
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


class NewPlan(Body):
    """A plan with its first price. ``ends_on``: first day not covered. Without a code the next free one."""

    site_code = serializers.CharField(max_length=60)
    treatment_unit_serial = serializers.CharField(
        max_length=60, required=False, allow_null=True, default=None
    )
    code = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    name = serializers.CharField(max_length=120)
    interval = serializers.ChoiceField(PlanInterval.choices)
    amount = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=MOST_AMOUNT)
    starts_on = DayField()
    ends_on = DayField(required=False, allow_null=True, default=None)
    visit_every_months = serializers.IntegerField(
        min_value=1, max_value=120, required=False, allow_null=True, default=None
    )
    includes_parts = serializers.BooleanField(default=True)
    escalator_percent = serializers.DecimalField(
        max_digits=5, decimal_places=2, min_value=0, max_value=100, default=0
    )
    included_visits_per_year = serializers.IntegerField(
        min_value=0, max_value=366, required=False, allow_null=True, default=None
    )


class PlanEndBody(Body):
    """The last day covered, and why."""

    last_on = DayField()
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

    @operation("start_plan", Permission.CORRECT_MONEY, NewPlan, PlanRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Start a plan."""
        site = self.one_of(Site.objects.all(), "site_code", "site", code=values.pop("site_code"))
        serial, unit = values.pop("treatment_unit_serial"), None
        if serial:
            units = TreatmentUnit.objects.all()
            unit = self.one_of(units, "treatment_unit_serial", "treatment unit", serial=serial)
        now = timezone.now()
        plan = start_plan(
            site, **values, treatment_unit=unit, today=local_day(now, site.time_zone),
            by=self.request.user, now=now,
        )  # fmt: skip
        return plan.pk

    @operation("end_plan", Permission.CORRECT_MONEY, PlanEndBody, PlanRow, at="end", status=201)
    def end(self, plan: ServicePlan, values: dict) -> int:
        """End a plan; what that makes of its money is entered by the next night."""
        now = timezone.now()
        today = local_day(now, plan.site.time_zone)
        plan_changes.end_plan(plan, **values, today=today, by=self.request.user, now=now)
        return plan.pk

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
