"""Register totals, gauges and flows, feed tests: read and recorded; many totals in ``bulk_readings``."""

from django.utils import timezone
from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.bulk_readings import RecordsInBulk
from api.fields import Body, Measured, MomentField, MomentFilter, Row, key_field
from api.parts import UNIT, OfUnitFilter
from api.permissions import meters_to_record, units_to_record
from api.viewsets import ListViewSet, operation
from fleet.models import (
    AuditArea,
    FeedTest,
    MeterMeasure,
    MeterReading,
    MeterWater,
    PerformanceReading,
    ReadingSource,
    Site,
    WaterSupply,
)
from fleet.readings import feed_tests, rows
from fleet.readings import gauges as readings_gauges
from fleet.readings.rows import GAUGES, TESTED, RecordReport
from scheduling.entry import entering
from shared.measures import Measure
from shared.roles import Permission


class Recorded(serializers.Serializer):
    """What came of it; a duplicate was known already and nothing was written."""

    recorded = serializers.IntegerField()
    corrected = serializers.IntegerField()
    duplicates = serializers.IntegerField()


class RecordingViewSet(ListViewSet):
    """Rows that are recorded once and never overwritten."""

    needs = (Permission.SEE_FLEET,)

    def recorded(self, report: RecordReport, about: str, values: dict[str, float]) -> dict:
        """Note what was recorded and return what came of it. Raises ValidationError for refused fields."""
        if report.problems:
            raise ValidationError({one.field: f"{one.message} {one.remedy}" for one in report.problems})
        if not report.duplicates:
            told = ", ".join(f"{name} {value:g}" for name, value in values.items())
            what = "reading corrected" if report.corrected else "reading recorded"
            self.note(what, AuditArea.FLEET, about, told)
        return {name: getattr(report, name) for name in ("recorded", "corrected", "duplicates")}


class MeterReadingRow(Row):
    """A register total. ``total_as_shown`` is in the meter's own measure."""

    total_as_shown = serializers.FloatField(source="total", read_only=True)

    class Meta:
        model = MeterReading
        fields = [
            "id", *UNIT, "meter_id", "water", "read_at", "total_as_shown", "total_gal", "rollover_gal",
            "revision", "is_latest", "source", "recorded_at",
        ]  # fmt: skip


class ReadingFilter(OfUnitFilter):
    """Of readings."""

    is_latest = BooleanFilter()
    read_from = MomentFilter(field_name="read_at", lookup_expr="gte")
    read_to = MomentFilter(field_name="read_at", lookup_expr="lt")
    recorded_from = MomentFilter(field_name="recorded_at", lookup_expr="gte")


class MeterReadingFilter(ReadingFilter):
    """Of meter readings."""

    water = ChoiceFilter(choices=MeterWater.choices)


class NewReading(Body):
    """One register total. A fall or a leap is refused until somebody says why it is kept."""

    meter_id = key_field()
    read_at = MomentField()
    total = serializers.FloatField(min_value=0, max_value=1e12)
    measure = serializers.ChoiceField(choices=MeterMeasure.choices, required=False)
    kept_because = serializers.CharField(max_length=160, required=False, allow_blank=True, default="")


class MeterReadingViewSet(RecordsInBulk, ListViewSet):
    """List register totals, in the order they came in."""

    needs = (Permission.SEE_FLEET,)
    queryset = MeterReading.objects.select_related("treatment_unit")
    serializer_class = MeterReadingRow
    filterset_class = MeterReadingFilter

    @operation("record_reading", Permission.RECORD_READINGS, NewReading, Recorded, edits=False, status=201)
    def create(self, values: dict) -> dict:
        """Record one register total, asked about as on the pages. For many: ``meter-readings/bulk``."""
        meter = meters_to_record(self.request).filter(pk=values["meter_id"]).first()
        if meter is None:
            raise ValidationError({"meter_id": "There is no such meter in your branch."})
        report = entering.enter_total(
            meter, values["total"], at=values["read_at"], because=values["kept_because"],
            measure=Measure(values["measure"]) if values.get("measure") else None, by=self.request.user,
            now=timezone.now(), source=ReadingSource.API,
        )  # fmt: skip
        return {name: getattr(report, name) for name in ("recorded", "corrected", "duplicates")}


class PerformanceReadingRow(Row):
    """Gauges and flows of one moment."""

    class Meta:
        model = PerformanceReading
        fields = ["id", *UNIT, "read_at", *GAUGES, "saw_fines", "revision", "is_latest", "source",
                  "recorded_at"]  # fmt: skip


class NewGauges(Measured):
    """Gauges and flows of one moment."""

    columns = GAUGES
    treatment_unit_id = key_field()
    read_at = MomentField()
    saw_fines = serializers.BooleanField(required=False, default=False)
    is_correction = serializers.BooleanField(required=False, default=False)


class PerformanceReadingViewSet(RecordingViewSet):
    """List gauges and flows, in the order they came in."""

    queryset = PerformanceReading.objects.select_related("treatment_unit")
    serializer_class = PerformanceReadingRow
    filterset_class = ReadingFilter

    @operation("record_gauges", Permission.RECORD_READINGS, NewGauges, Recorded, edits=False, status=201)
    def create(self, values: dict) -> dict:
        """Record gauges and flows of one moment.

        The same again is a duplicate; another value a correction.
        """
        unit = units_to_record(self.request).filter(pk=values["treatment_unit_id"]).first()
        if unit is None:
            raise ValidationError({"treatment_unit_id": "There is no such treatment unit in your branch."})
        gauges = values["measured"]
        report = readings_gauges.record_performance_readings(
            [rows.NewPerformanceReading(unit.pk, values["read_at"], gauges, values["saw_fines"])],
            source=ReadingSource.API,
            now=timezone.now(),
            as_correction=values["is_correction"],
        )
        return self.recorded(report, unit.serial, gauges)


class FeedTestRow(Row):
    """A feed-water test of a site or of a supply. Hardness and alkalinity as CaCO3."""

    class Meta:
        model = FeedTest
        fields = ["id", "site_code", "supply_code", "sampled_at", *TESTED, "source", "recorded_at"]


class NewFeedTestBody(Measured):
    """A feed test of a site or of a supply: name one of the two."""

    columns = TESTED
    site_code = serializers.CharField(max_length=40, required=False)
    supply_code = serializers.CharField(max_length=40, required=False)
    sampled_at = MomentField()
    source = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")


class FeedTestFilter(FilterSet):
    """Of feed tests."""

    site_code = CharFilter(field_name="site__code")
    supply_code = CharFilter(field_name="supply__code")
    sampled_from = MomentFilter(field_name="sampled_at", lookup_expr="gte")
    sampled_to = MomentFilter(field_name="sampled_at", lookup_expr="lt")


class FeedTestViewSet(RecordingViewSet):
    """List feed tests of sites and supplies."""

    queryset = FeedTest.objects.select_related("site", "supply")
    serializer_class = FeedTestRow
    filterset_class = FeedTestFilter
    orderings = ("id", "sampled_at")

    @operation(
        "record_feed_test", Permission.RECORD_READINGS, NewFeedTestBody, Recorded, edits=False, status=201
    )
    def create(self, values: dict) -> dict:
        """Record a feed test of a site or of a supply. It is never overwritten: a later one takes over."""
        site = supply = None
        if code := values.get("site_code"):
            site = self.one_of(Site.objects.all(), "site_code", "site", code=code)
        if code := values.get("supply_code"):
            supply = self.one_of(WaterSupply.objects.all(), "supply_code", "supply", code=code)
        test = rows.NewFeedTest(
            site and site.pk, supply and supply.pk, values["sampled_at"], values["measured"], values["source"]
        )
        report = feed_tests.record_feed_tests([test], now=timezone.now())
        return self.recorded(report, (site or supply).code if site or supply else "", values["measured"])
