"""Reading the fleet."""

from api import filters, fleet_rows
from api.operations import ListRows, ShowRow
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
)
from shared.roles import Permission

SEES_FLEET = (Permission.SEE_FLEET,)


class ListSites(ListRows):
    """List sites."""

    needs = SEES_FLEET
    queryset = Site.objects.select_related("customer", "branch", "supply")
    serializer_class = fleet_rows.SiteRow
    filterset_class = filters.SiteFilter
    orderings = ("id", "code", "name")


class ShowSite(ShowRow, of=ListSites):
    """Show one site."""


class ListTreatmentUnits(ListRows):
    """List treatment units with their state."""

    needs = SEES_FLEET
    queryset = TreatmentUnit.objects.select_related("site", "state")
    serializer_class = fleet_rows.TreatmentUnitRow
    filterset_class = filters.TreatmentUnitFilter
    orderings = ("id", "serial")


class ShowTreatmentUnit(ShowRow, of=ListTreatmentUnits):
    """Show one treatment unit with its state."""


class ListParts(ListRows):
    """List parts, in place and taken out."""

    needs = SEES_FLEET
    queryset = Part.objects.select_related("treatment_unit", "position", "kind")
    serializer_class = fleet_rows.PartRow
    filterset_class = filters.PartFilter
    orderings = ("id", "installed_at")


class ShowPart(ShowRow, of=ListParts):
    """Show one part."""


class ListPartStates(ListRows):
    """List how worn the parts in place are and when they are due."""

    needs = SEES_FLEET
    queryset = PartState.objects.select_related("treatment_unit", "part__position", "part__kind")
    serializer_class = fleet_rows.PartStateRow
    filterset_class = filters.PartStateFilter
    orderings = ("part_id",)


class ListFindings(ListRows):
    """List findings, standing and gone."""

    needs = SEES_FLEET
    queryset = Finding.objects.select_related("treatment_unit")
    serializer_class = fleet_rows.FindingRow
    filterset_class = filters.FindingFilter
    orderings = ("id", "found_at", "changed_at")


class ShowFinding(ShowRow, of=ListFindings):
    """Show one finding with the numbers it rests on."""


class ListMeters(ListRows):
    """List meters."""

    needs = SEES_FLEET
    queryset = Meter.objects.select_related("treatment_unit")
    serializer_class = fleet_rows.MeterRow
    filterset_class = filters.MeterFilter


class ListMeterReadings(ListRows):
    """List register totals, in the order they came in."""

    needs = SEES_FLEET
    queryset = MeterReading.objects.select_related("treatment_unit")
    serializer_class = fleet_rows.MeterReadingRow
    filterset_class = filters.MeterReadingFilter


class ListPerformanceReadings(ListRows):
    """List gauges and flows, in the order they came in."""

    needs = SEES_FLEET
    queryset = PerformanceReading.objects.select_related("treatment_unit")
    serializer_class = fleet_rows.PerformanceReadingRow
    filterset_class = filters.ReadingFilter


class ListFeedTests(ListRows):
    """List feed tests of sites and supplies."""

    needs = SEES_FLEET
    queryset = FeedTest.objects.select_related("site", "supply")
    serializer_class = fleet_rows.FeedTestRow
    filterset_class = filters.FeedTestFilter
    orderings = ("id", "sampled_at")
