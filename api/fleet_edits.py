"""Changing the fleet: details of sites and treatment units, parts in and out, gauges and feed tests."""

from django.db import transaction
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api import fleet_bodies, fleet_rows
from api.edits import IF_MATCH, EditRow, given, one_of, refuse, shown
from api.fleet_operations import ListParts, ListSites, ListTreatmentUnits
from api.noting import note
from api.operations import Operation
from api.scope import units_to_record
from fleet.models import AuditArea, Part, PartKind, Position, ReadingSource, Site, TreatmentUnit, WaterSupply
from fleet.readings import feed_tests, rows
from fleet.readings import gauges as readings_gauges
from fleet.readings.rows import RecordReport
from fleet.register import parts, sites
from shared.messages import message
from shared.roles import Permission

EDITS_FLEET = (Permission.EDIT_FLEET,)


class ChangeSite(EditRow):
    """Change what is known of a site."""

    needs = EDITS_FLEET
    shown_by = ListSites
    serializer_class = fleet_bodies.SiteDetails

    @extend_schema(responses=fleet_rows.SiteRow, parameters=[IF_MATCH])
    @transaction.atomic
    def patch(self, request: Request, pk: int) -> Response:
        """Change it."""
        site = self.row_to_edit(request, pk)
        sites.change_site(site, **given(self, request, partial=True))
        return self.changed(request, pk, "site changed", AuditArea.FLEET, site.code)


class ChangeTreatmentUnit(EditRow):
    """Change what is known of a treatment unit, or take it out of service for a reason."""

    needs = EDITS_FLEET
    shown_by = ListTreatmentUnits
    serializer_class = fleet_bodies.TreatmentUnitDetails

    @extend_schema(responses=fleet_rows.TreatmentUnitRow, parameters=[IF_MATCH])
    @transaction.atomic
    def patch(self, request: Request, pk: int) -> Response:
        """Change it."""
        unit = self.row_to_edit(request, pk)
        sites.change_treatment_unit(unit, **given(self, request, partial=True))
        return self.changed(request, pk, "treatment unit changed", AuditArea.FLEET, unit.serial)


class InstallPart(Operation):
    """Put a part into an empty position."""

    needs = EDITS_FLEET
    serializer_class = fleet_bodies.NewPart

    @extend_schema(responses={201: fleet_rows.PartRow})
    @transaction.atomic
    def post(self, request: Request) -> Response:
        """Install it."""
        values = given(self, request)
        unit = one_of(
            request, TreatmentUnit.objects.all(), "treatment_unit_id", "treatment unit",
            pk=values["treatment_unit_id"],
        )  # fmt: skip
        position = Position.objects.filter(treatment_unit=unit, code=values["position"]).first()
        if position is None:
            raise ValidationError({"position": f"{unit} has no such position."})
        part = parts.install(position=position, at=values["installed_at"], **_part_values(values))
        note(request, message("part put in"), AuditArea.FLEET, unit.serial, _told(part))
        return shown(ListParts, part.pk, 201)


class RemovePart(EditRow):
    """Take a part out."""

    needs = EDITS_FLEET
    shown_by = ListParts
    serializer_class = fleet_bodies.PartRemoval

    @extend_schema(responses=fleet_rows.PartRow, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Remove it."""
        part = self.row_to_edit(request, pk)
        values = given(self, request)
        _refuse_future("removed_at", values["removed_at"])
        parts.remove(part, at=values["removed_at"], reason=values["removal_reason"])
        told = f"{_told(part)} → none: {values['removal_reason']}"
        note(request, message("part taken out"), AuditArea.FLEET, part.treatment_unit.serial, told)
        return self.shown(pk)


class ReplacePart(EditRow):
    """Take a part out and put another in at the same moment. The answer is the new one."""

    needs = EDITS_FLEET
    shown_by = ListParts
    serializer_class = fleet_bodies.PartReplacement

    @extend_schema(responses={201: fleet_rows.PartRow}, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Replace it."""
        old = self.row_to_edit(request, pk)
        values = given(self, request)
        at = values["changed_at"]
        new = parts.replace(
            old, at=at, reason=values["removal_reason"], **_part_values(values, at, "changed_at")
        )
        told = f"{_told(old)} → {_told(new)}: {values['removal_reason']}"
        note(request, message("part replaced"), AuditArea.FLEET, old.treatment_unit.serial, told)
        return self.shown(new.pk, 201)


class RecordGauges(Operation):
    """Record gauges and flows of one moment. The same again is a duplicate; another value a correction."""

    needs = (Permission.RECORD_READINGS,)
    serializer_class = fleet_bodies.NewGauges

    @extend_schema(responses={201: fleet_bodies.Recorded})
    @transaction.atomic
    def post(self, request: Request) -> Response:
        """Record them."""
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        values = form.validated_data
        unit = units_to_record(request).filter(pk=values["treatment_unit_id"]).first()
        if unit is None:
            raise ValidationError({"treatment_unit_id": "There is no such treatment unit in your branch."})
        gauges = form.values_in(values)
        report = readings_gauges.record_performance_readings(
            [rows.NewPerformanceReading(unit.pk, values["read_at"], gauges, values["saw_fines"])],
            source=ReadingSource.API,
            now=timezone.now(),
            as_correction=values["is_correction"],
        )
        return _recorded(request, report, unit.serial, gauges)


class RecordFeedTest(Operation):
    """Record a feed test of a site or of a supply. It is never overwritten: a later one takes over."""

    needs = (Permission.RECORD_READINGS,)
    serializer_class = fleet_bodies.NewFeedTestBody

    @extend_schema(responses={201: fleet_bodies.Recorded})
    @transaction.atomic
    def post(self, request: Request) -> Response:
        """Record it."""
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        values = form.validated_data
        measured = form.values_in(values)
        site = supply = None
        if code := values.get("site_code"):
            site = one_of(request, Site.objects.all(), "site_code", "site", code=code)
        if code := values.get("supply_code"):
            supply = one_of(request, WaterSupply.objects.all(), "supply_code", "supply", code=code)
        test = rows.NewFeedTest(
            site and site.pk, supply and supply.pk, values["sampled_at"], measured, values["source"]
        )
        report = feed_tests.record_feed_tests([test], now=timezone.now())
        return _recorded(request, report, site.code if site else supply.code if supply else "", measured)


def _part_values(values: dict, at=None, field: str = "installed_at") -> dict:
    _refuse_future(field, at or values["installed_at"])
    kind = PartKind.objects.filter(code=values["kind_code"]).first()
    if kind is None:
        raise ValidationError({"kind_code": "There is no such kind of part in the catalogue."})
    return {"kind": kind, "serial": values["serial"], "lot": values["lot"], "made_on": values["made_on"]}


def _refuse_future(field: str, at) -> None:
    if at > timezone.now():
        raise ValidationError({field: "This moment has not come yet."})


def _told(part: Part) -> str:
    return " ".join(filter(None, (part.position.code, part.kind.code, part.serial)))


def _recorded(request: Request, report: RecordReport, about: str, values: dict[str, float]) -> Response:
    refuse(report.problems)
    if not report.duplicates:
        told = ", ".join(f"{name} {value:g}" for name, value in values.items())
        what = "reading corrected" if report.corrected else "reading recorded"
        note(request, what, AuditArea.FLEET, about, told)
    body = {"recorded": report.recorded, "corrected": report.corrected, "duplicates": report.duplicates}
    return Response(body, status=201)
