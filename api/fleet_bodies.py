"""What programs send about the fleet: details, parts in and out, gauges, feed tests."""

from rest_framework import serializers

from api.moments import DayField, MomentField
from fleet.models import RemovalReason, Site, TreatmentUnit
from fleet.readings.rows import GAUGES, TESTED
from fleet.register.sites import SITE_DETAILS, UNIT_DETAILS

_MOST_KEY = 2**63 - 1


class _Details(serializers.ModelSerializer):
    """Some fields of a row; at least one."""

    def validate(self, attrs: dict) -> dict:
        """Refuse a body that changes nothing, and a name nobody knows."""
        unknown = set(self.initial_data) - set(self.fields)
        if unknown or not attrs:
            known = f"Give at least one of: {', '.join(self.fields)}."
            raise serializers.ValidationError({name[:80]: known for name in unknown or ["body"]})
        return attrs


class SiteDetails(_Details):
    """What can be changed of a site."""

    latitude = serializers.FloatField(min_value=-90, max_value=90, allow_null=True, required=False)
    longitude = serializers.FloatField(min_value=-180, max_value=180, allow_null=True, required=False)

    class Meta:
        model = Site
        fields = SITE_DETAILS


class TreatmentUnitDetails(_Details):
    """What can be changed of a treatment unit."""

    idle_limit_days = serializers.FloatField(min_value=0.5, max_value=3650, required=False)
    note = serializers.CharField(max_length=4000, allow_blank=True, required=False)

    class Meta:
        model = TreatmentUnit
        fields = UNIT_DETAILS


class NewPart(serializers.Serializer):
    """A part put into an empty position."""

    treatment_unit_id = serializers.IntegerField(min_value=1, max_value=_MOST_KEY)
    position = serializers.CharField(max_length=40, help_text="Code of the position.")
    kind_code = serializers.CharField(max_length=80)
    installed_at = MomentField()
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    lot = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    made_on = DayField(required=False, allow_null=True, default=None)


class PartRemoval(serializers.Serializer):
    """A part taken out."""

    removed_at = MomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)


class PartReplacement(serializers.Serializer):
    """A part taken out and another put in at the same moment."""

    changed_at = MomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)
    kind_code = serializers.CharField(max_length=80)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    lot = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    made_on = DayField(required=False, allow_null=True, default=None)


def _numbers(highest: dict[str, float]) -> dict[str, serializers.FloatField]:
    return {
        name: serializers.FloatField(min_value=0, max_value=most, required=False)
        for name, most in highest.items()
    }


class _Measured(serializers.Serializer):
    """Values under their column's names, only those that were read."""

    measured: dict[str, float] = {}

    def get_fields(self) -> dict:
        """Return the own fields and one for each value."""
        return super().get_fields() | _numbers(self.measured)

    def values_in(self, given: dict) -> dict[str, float]:
        """Return what was read, taken out of the rest."""
        return {name: given.pop(name) for name in self.measured if name in given}


class NewGauges(_Measured):
    """Gauges and flows of one moment."""

    measured = GAUGES
    treatment_unit_id = serializers.IntegerField(min_value=1, max_value=_MOST_KEY)
    read_at = MomentField()
    saw_fines = serializers.BooleanField(required=False, default=False)
    is_correction = serializers.BooleanField(required=False, default=False)


class NewFeedTestBody(_Measured):
    """A feed test of a site or of a supply: name one of the two."""

    measured = TESTED
    site_code = serializers.CharField(max_length=40, required=False)
    supply_code = serializers.CharField(max_length=40, required=False)
    sampled_at = MomentField()
    source = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")


class Recorded(serializers.Serializer):
    """What came of it; a duplicate was known already and nothing was written."""

    recorded = serializers.IntegerField()
    corrected = serializers.IntegerField()
    duplicates = serializers.IntegerField()
