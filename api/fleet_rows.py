"""How rows of the fleet are shown: names carry the measure, moments the zone."""

from rest_framework import serializers

from fleet.models import (
    FeedTest,
    Finding,
    Meter,
    MeterReading,
    Part,
    PartState,
    PerformanceReading,
    Site,
    TreatmentUnit,
    UnitState,
)
from fleet.readings.rows import GAUGES, TESTED

_UNIT = ["treatment_unit_id", "treatment_unit_serial"]


class _OfUnit(serializers.ModelSerializer):
    """A row that belongs to a treatment unit."""

    treatment_unit_id = serializers.IntegerField(read_only=True)
    treatment_unit_serial = serializers.CharField(source="treatment_unit.serial", read_only=True)


class SiteRow(serializers.ModelSerializer):
    """A site."""

    customer_code = serializers.CharField(source="customer.code", read_only=True)
    customer_name = serializers.CharField(source="customer.name", read_only=True)
    branch_code = serializers.CharField(source="branch.code", read_only=True)
    supply_code = serializers.CharField(source="supply.code", read_only=True, default=None, allow_null=True)

    class Meta:
        model = Site
        fields = [
            "id", "code", "name", "customer_code", "customer_name", "branch_code", "supply_code", "address",
            "area", "latitude", "longitude", "time_zone", "kind", "access_note", "is_closed",
        ]  # fmt: skip
        read_only_fields = fields


class UnitStateRow(serializers.ModelSerializer):
    """What assessment knows of a treatment unit."""

    owed_part_id = serializers.IntegerField(read_only=True, allow_null=True)

    class Meta:
        model = UnitState
        fields = [
            "permeate_gal_per_day", "spread_gal_per_sqrt_day", "recovery", "recovery_is_measured",
            "is_design_duty", "readings_used", "last_read_at", "readiness", "owed_flush", "owed_part_id",
            "owed_since", "flush_gal", "flush_minutes", "flow_change", "passage_change", "drop_change",
            "raw_flow_change", "normalised_flow_gpm", "salt_passage", "crosses_limit_on", "pattern",
            "is_decaying", "next_due_on", "worst_wear", "assessed_at",
        ]  # fmt: skip
        read_only_fields = fields


class TreatmentUnitRow(serializers.ModelSerializer):
    """A treatment unit with its state; no state before the first assessment."""

    site_id = serializers.IntegerField(read_only=True)
    site_code = serializers.CharField(source="site.code", read_only=True)
    state = UnitStateRow(read_only=True, allow_null=True, default=None)

    class Meta:
        model = TreatmentUnit
        fields = [
            "id", "serial", "label", "site_id", "site_code", "commissioned_on", "design_recovery",
            "design_use_gal_per_day", "design_permeate_gpm", "idle_limit_days", "mains_voltage",
            "is_out_of_service", "out_of_service_reason", "state",
        ]  # fmt: skip
        read_only_fields = fields


class PartRow(_OfUnit):
    """A physical part with its time in place."""

    position = serializers.CharField(source="position.code", read_only=True)
    kind_code = serializers.CharField(source="kind.code", read_only=True)
    kind_name = serializers.CharField(source="kind.name", read_only=True)
    role = serializers.CharField(source="kind.role", read_only=True)

    class Meta:
        model = Part
        fields = [
            "id", *_UNIT, "position", "kind_code", "kind_name", "role", "serial", "lot", "made_on",
            "installed_at", "removed_at", "removal_reason", "clean_drop_psi", "clean_drop_flow_gpm",
        ]  # fmt: skip
        read_only_fields = fields


class PartStateRow(_OfUnit):
    """How worn a part in place is and when it is due."""

    part_id = serializers.IntegerField(read_only=True)
    position = serializers.CharField(source="part.position.code", read_only=True)
    kind_code = serializers.CharField(source="part.kind.code", read_only=True)

    class Meta:
        model = PartState
        fields = [
            "part_id", *_UNIT, "position", "kind_code", "wear", "governing", "early_on", "likely_on",
            "late_on", "assessed_at",
        ]  # fmt: skip
        read_only_fields = fields


class FindingRow(_OfUnit):
    """Something that wants action, with every number it rests on."""

    part_id = serializers.IntegerField(read_only=True, allow_null=True)

    class Meta:
        model = Finding
        fields = [
            "id", "kind", "cause_key", *_UNIT, "part_id", "method", "method_version", "strength",
            "not_before_on", "early_on", "likely_on", "late_on", "why", "numbers", "found_at", "changed_at",
            "gone_at", "gone_because",
        ]  # fmt: skip
        read_only_fields = fields


class MeterRow(_OfUnit):
    """A water meter and its time in place."""

    class Meta:
        model = Meter
        fields = ["id", *_UNIT, "water", "serial", "measure", "digits", "installed_at", "removed_at"]
        read_only_fields = fields


class MeterReadingRow(_OfUnit):
    """A register total. ``total_as_shown`` is in the meter's own measure."""

    meter_id = serializers.IntegerField(read_only=True)
    total_as_shown = serializers.FloatField(source="total", read_only=True)

    class Meta:
        model = MeterReading
        fields = [
            "id", *_UNIT, "meter_id", "water", "read_at", "total_as_shown", "total_gal", "rollover_gal",
            "revision", "is_latest", "source", "recorded_at",
        ]  # fmt: skip
        read_only_fields = fields


class PerformanceReadingRow(_OfUnit):
    """Gauges and flows of one moment."""

    class Meta:
        model = PerformanceReading
        fields = ["id", *_UNIT, "read_at", *GAUGES, "saw_fines", "revision", "is_latest", "source",
                  "recorded_at"]  # fmt: skip
        read_only_fields = fields


class FeedTestRow(serializers.ModelSerializer):
    """A feed-water test of a site or of a supply. Hardness and alkalinity as CaCO3."""

    site_code = serializers.CharField(source="site.code", read_only=True, default=None, allow_null=True)
    supply_code = serializers.CharField(source="supply.code", read_only=True, default=None, allow_null=True)

    class Meta:
        model = FeedTest
        fields = ["id", "site_code", "supply_code", "sampled_at", *TESTED, "source", "recorded_at"]
        read_only_fields = fields
