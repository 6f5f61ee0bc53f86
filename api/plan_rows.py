"""How technicians and service plans are shown, and what programs send about them."""

from rest_framework import serializers

from api.moments import DayField
from scheduling.contracts.prices import MOST_AMOUNT
from scheduling.models import Absence, PlanPeriod, PlanPrice, ServicePlan, Technician


class AbsenceRow(serializers.ModelSerializer):
    """Days a technician does not work, both included."""

    class Meta:
        model = Absence
        fields = ["first_on", "last_on", "reason"]
        read_only_fields = fields


class TechnicianRow(serializers.ModelSerializer):
    """Somebody with a van."""

    branch_code = serializers.CharField(source="branch.code", read_only=True)
    skill_codes = serializers.SlugRelatedField("code", source="skills", many=True, read_only=True)
    absences = AbsenceRow(many=True, read_only=True)

    class Meta:
        model = Technician
        fields = ["id", "code", "name", "branch_code", "skill_codes", "is_active", "absences"]
        read_only_fields = fields


class NewAbsence(serializers.Serializer):
    """First and last day, both included."""

    first_on = DayField()
    last_on = DayField()
    reason = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")


class PriceRow(serializers.ModelSerializer):
    """A price from a day on."""

    class Meta:
        model = PlanPrice
        fields = ["from_on", "amount"]
        read_only_fields = fields


class PeriodRow(serializers.ModelSerializer):
    """A stretch of days with a lower price or none."""

    class Meta:
        model = PlanPeriod
        fields = ["kind", "from_on", "to_on", "percent_off", "why"]
        read_only_fields = fields


class PlanRow(serializers.ModelSerializer):
    """A service plan of a site, or of one treatment unit there."""

    site_id = serializers.IntegerField(read_only=True)
    site_code = serializers.CharField(source="site.code", read_only=True)
    treatment_unit_id = serializers.IntegerField(read_only=True, allow_null=True)
    prices = PriceRow(many=True, read_only=True)
    periods = PeriodRow(many=True, read_only=True)

    class Meta:
        model = ServicePlan
        fields = [
            "id", "code", "name", "site_id", "site_code", "treatment_unit_id", "interval",
            "visit_every_months", "includes_parts", "starts_on", "ends_on", "renews_on", "notice_days",
            "escalator_percent", "prices", "periods",
        ]  # fmt: skip
        read_only_fields = fields


class NewPrice(serializers.Serializer):
    """A price from a day on, per the plan's interval, before tax."""

    from_on = DayField()
    amount = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=MOST_AMOUNT)


class NewPeriod(serializers.Serializer):
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
