"""What was recorded wrongly: corrections listed and made, with the pages' own rule and message."""

from datetime import datetime
from typing import Any

from django.utils import timezone
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet, NumberFilter
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, MomentFilter, Row, key_field, read_moment
from api.viewsets import ListViewSet, operation
from fleet.corrections.corrections import COUNTS, KINDS, Act, correct, units_touched
from fleet.models import Corrected, Correction, Door
from scheduling.orders.again import look_again
from shared.roles import Permission

TEXTS = ("removal_reason", "serial", "lot", "kind")
TICKS = ("saw_fines", "ran_clear", COUNTS)


class CorrectionRow(Row):
    """One value of one row as it was and is since; figures in the column's measure, moments in UTC."""

    class Meta:
        model = Correction
        fields = ["id", "of", "first_id", "now_id", "treatment_unit_id", "treatment_unit_serial", "site_code",
                  "about", "field", "was", "became", "reason", "door", "at"]  # fmt: skip


class NewCorrection(Body):
    """Right values of one row by its fields, and why."""

    of = serializers.ChoiceField(choices=Corrected.choices)
    row_id = key_field()
    values = serializers.DictField(
        allow_empty=False,
        help_text="By field; numbers in the list's measures, a total as the register shows.",
    )
    reason = serializers.CharField(max_length=200)
    version = serializers.IntegerField(
        min_value=0, required=False,
        help_text="How many corrections of the row (now_id) you have seen: refuses when there is another.",
    )  # fmt: skip


class Corrections(serializers.Serializer):
    """What stands since."""

    now_id = serializers.IntegerField()
    corrections = serializers.IntegerField()


class CorrectionFilter(FilterSet):
    """Of corrections."""

    of = ChoiceFilter(choices=Corrected.choices)
    now_id = NumberFilter()
    treatment_unit_serial = CharFilter(field_name="treatment_unit__serial")
    corrected_from = MomentFilter(field_name="at", lookup_expr="gte")


class CorrectionViewSet(ListViewSet):
    """List what was corrected, oldest first."""

    needs = (Permission.SEE_FLEET,)
    queryset = Correction.objects.select_related("treatment_unit", "site")
    serializer_class = CorrectionRow
    filterset_class = CorrectionFilter

    @operation("correct", Permission.EDIT_FLEET, NewCorrection, Corrections, edits=False, status=201)
    def create(self, values: dict) -> dict:
        """Correct values of a reading, gauges, feed test, part or flush. What was before stays listed."""
        of = values["of"]
        row = self.one_of(KINDS[of].model.objects.all(), "row_id", "row", pk=values["row_id"])
        now = timezone.now()
        before = Correction.objects.count()
        given = {name: _value(name, raw) for name, raw in values["values"].items()}
        act = Act(values["reason"], self.request.user, now, Door.API)
        stands = correct(of, row.pk, given, act=act, version=values.get("version"))
        look_again(units_touched(of, stands), now, anew=True)
        return {"now_id": stands.pk, "corrections": Correction.objects.count() - before}


def _value(name: str, raw: Any) -> str | bool | float | datetime | None:
    """Return a value of the body as its column takes it. Raises ValidationError."""
    if name.endswith("_at"):
        value = read_moment(raw)
    elif name in TICKS:
        value = raw if isinstance(raw, bool) else None
    elif name in TEXTS:
        value = raw if isinstance(raw, str) else None
    elif raw is None:
        return None
    else:
        is_number = isinstance(raw, int | float) and not isinstance(raw, bool) and abs(raw) < 1e15
        value = float(raw) if is_number else None
    if value is None:
        raise ValidationError({f"values.{name}"[:80]: "This is not what the field takes: see the list."})
    return value
