"""How rows of the work are shown: orders, routes, close-outs, entries."""

from django.conf import settings
from rest_framework import serializers

from api.moments import DayField
from scheduling.models import CloseOut, RevenueEntry, Route, Stop, WorkOrder, WorkOrderPart
from scheduling.orders.selectors import number_of


class NeededPartRow(serializers.ModelSerializer):
    """A part an order will need."""

    kind_code = serializers.CharField(source="kind.code", read_only=True)

    class Meta:
        model = WorkOrderPart
        fields = ["kind_code", "quantity"]
        read_only_fields = fields


class WorkOrderRow(serializers.ModelSerializer):
    """One thing to do, once."""

    number = serializers.SerializerMethodField()
    treatment_unit_id = serializers.IntegerField(read_only=True)
    treatment_unit_serial = serializers.CharField(source="treatment_unit.serial", read_only=True)
    site_id = serializers.IntegerField(read_only=True)
    site_code = serializers.CharField(source="site.code", read_only=True)
    part_id = serializers.IntegerField(read_only=True, allow_null=True)
    finding_id = serializers.IntegerField(read_only=True, allow_null=True)
    follows_id = serializers.IntegerField(read_only=True, allow_null=True)
    needed_parts = NeededPartRow(many=True, read_only=True)

    class Meta:
        model = WorkOrder
        fields = [
            "id", "number", "kind", "state", "cause_key", "treatment_unit_id", "treatment_unit_serial",
            "site_id", "site_code", "part_id", "finding_id", "follows_id", "why", "strength", "window_from",
            "window_to", "likely_on", "promised_on", "minutes", "flush_minutes", "needed_parts", "raised_at",
            "changed_at", "ended_at", "withdrawn_because",
        ]  # fmt: skip
        read_only_fields = fields

    def get_number(self, order: WorkOrder) -> str:
        """Return the number as people say it."""
        return number_of(order.pk)


class WrittenUuid(serializers.UUIDField):
    """A UUID as text; a number is none."""

    def to_internal_value(self, data: object):
        """Return the UUID; refuse anything but text."""
        if not isinstance(data, str):
            self.fail("invalid", value=data)
        return super().to_internal_value(data)


class NewWorkOrder(serializers.Serializer):
    """Work that no finding asks for. The same ``client_id`` again returns the order it made."""

    client_id = WrittenUuid()
    treatment_unit_id = serializers.IntegerField(min_value=1, max_value=2**63 - 1)
    why = serializers.CharField(max_length=1000)
    window_from = DayField()
    window_to = DayField()
    minutes = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    promised_on = DayField(required=False, allow_null=True)


class PromiseOfOrder(serializers.Serializer):
    """The day promised to the customer; null takes the promise back."""

    promised_on = DayField(allow_null=True)


class Withdrawal(serializers.Serializer):
    """Why an order is withdrawn."""

    reason = serializers.CharField(max_length=160)


class StopRow(serializers.ModelSerializer):
    """One site visit of a route with the orders done there."""

    site_id = serializers.IntegerField(read_only=True)
    site_code = serializers.CharField(source="site.code", read_only=True)
    work_order_ids = serializers.SerializerMethodField()

    class Meta:
        model = Stop
        fields = ["place", "site_id", "site_code", "arrives_at", "starts_at", "leaves_at", "drive_minutes",
                  "drive_metres", "work_order_ids"]  # fmt: skip
        read_only_fields = fields

    def get_work_order_ids(self, stop: Stop) -> list[int]:
        """Return the orders in force at this stop."""
        return [placed.order_id for placed in stop.orders.all() if placed.is_in_force]


class RouteRow(serializers.ModelSerializer):
    """One technician's published day."""

    technician_code = serializers.CharField(source="technician.code", read_only=True)
    branch_code = serializers.CharField(source="technician.branch.code", read_only=True)
    stops = StopRow(many=True, read_only=True)

    class Meta:
        model = Route
        fields = ["id", "technician_code", "branch_code", "day", "leaves_at", "returns_at", "lunch_at",
                  "drive_minutes", "work_minutes", "drive_metres", "stops"]  # fmt: skip
        read_only_fields = fields


class CloseOutRow(serializers.ModelSerializer):
    """What was found and done at one order."""

    work_order_id = serializers.IntegerField(source="order_id", read_only=True)
    treatment_unit_serial = serializers.CharField(source="order.treatment_unit.serial", read_only=True)
    technician_code = serializers.CharField(source="technician.code", read_only=True)
    follow_up_id = serializers.IntegerField(read_only=True, allow_null=True)

    class Meta:
        model = CloseOut
        fields = ["id", "client_id", "work_order_id", "treatment_unit_serial", "technician_code", "outcome",
                  "finished_at", "received_at", "minutes", "drive_minutes", "note", "signed_by",
                  "follow_up_id", "undone_at", "undone_because"]  # fmt: skip
        read_only_fields = fields


class RevenueEntryRow(serializers.ModelSerializer):
    """One amount for one cause, in one month."""

    site_id = serializers.IntegerField(read_only=True)
    site_code = serializers.CharField(source="site.code", read_only=True)
    treatment_unit_id = serializers.IntegerField(read_only=True, allow_null=True)
    plan_code = serializers.CharField(source="plan.code", read_only=True, default=None, allow_null=True)
    close_out_id = serializers.IntegerField(read_only=True, allow_null=True)
    corrects_id = serializers.IntegerField(read_only=True, allow_null=True)
    currency = serializers.SerializerMethodField()

    class Meta:
        model = RevenueEntry
        fields = ["id", "kind", "cause_key", "site_id", "site_code", "treatment_unit_id", "plan_code",
                  "close_out_id", "corrects_id", "month", "amount", "currency", "text",
                  "entered_at"]  # fmt: skip
        read_only_fields = fields

    def get_currency(self, entry: RevenueEntry) -> str:
        """Return the company's one currency, ISO 4217."""
        return settings.CURRENCY
