"""Published routes; technicians with their absences."""

from django.db.models import Prefetch
from django.utils import timezone
from django_filters.rest_framework import BooleanFilter, CharFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, DayField, DayFilter, Row, key_field
from api.viewsets import RowViewSet, operation
from fleet.models import Branch
from scheduling.crew import calendar_entries, team
from scheduling.models import Absence, Route, Stop, Technician
from scheduling.routes import leaving
from shared.roles import Permission


class StopRow(Row):
    """One site visit of a route with the orders done there."""

    work_order_ids = serializers.SerializerMethodField()

    class Meta:
        model = Stop
        fields = ["place", "site_id", "site_code", "arrives_at", "starts_at", "leaves_at", "drive_minutes",
                  "drive_metres", "work_order_ids"]  # fmt: skip

    def get_work_order_ids(self, stop: Stop) -> list[int]:
        """Return the orders in force at this stop."""
        return [placed.order_id for placed in stop.orders.all() if placed.is_in_force]


class RouteRow(Row):
    """One technician's published day."""

    branch_code = serializers.CharField(source="technician.branch.code", read_only=True)
    stops = StopRow(many=True, read_only=True)

    class Meta:
        model = Route
        fields = ["id", "technician_code", "branch_code", "day", "leaves_at", "returns_at", "lunch_at",
                  "drive_minutes", "work_minutes", "drive_metres", "stops"]  # fmt: skip


class RouteFilter(FilterSet):
    """Of published routes."""

    technician_code = CharFilter(field_name="technician__code")
    branch_code = CharFilter(field_name="technician__branch__code")
    day_from = DayFilter(field_name="day", lookup_expr="gte")
    day_to = DayFilter(field_name="day", lookup_expr="lte")


class RouteViewSet(RowViewSet):
    """List published routes with their stops."""

    shows = "published route with its stops"
    needs = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)
    queryset = (
        Route.objects.filter(is_in_force=True)
        .select_related("technician__branch")
        .prefetch_related(Prefetch("stops", Stop.objects.select_related("site").prefetch_related("orders")))
    )
    serializer_class = RouteRow
    filterset_class = RouteFilter
    orderings = ("id", "day")


class AbsenceRow(Row):
    """Days a technician does not work, both included; with times those hours of each."""

    class Meta:
        model = Absence
        fields = ["id", "first_on", "last_on", "starts_at", "ends_at", "repeats_until", "reason"]


class TechnicianRow(Row):
    """Somebody with a van."""

    skill_codes = serializers.SlugRelatedField("code", source="skills", many=True, read_only=True)
    absences = AbsenceRow(many=True, read_only=True)

    class Meta:
        model = Technician
        fields = ["id", "code", "name", "branch_code", "skill_codes", "is_active", "works_from", "last_on",
                  "absences"]  # fmt: skip


class NewAbsence(Body):
    """First and last day, both included; ``starts_at`` and ``ends_at``: these hours of each day only."""

    first_on = DayField()
    last_on = DayField()
    starts_at = serializers.TimeField(required=False, allow_null=True, default=None)
    ends_at = serializers.TimeField(required=False, allow_null=True, default=None)
    repeats_until = DayField(required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")


class AbsenceEnd(Body):
    """Which absence is taken back."""

    id = key_field()


class Week(Body):
    """A working week from a day on. Weekdays: 0 is Monday."""

    from_on = DayField()
    weekdays = serializers.ListField(
        child=serializers.IntegerField(min_value=0, max_value=6), allow_empty=False, max_length=7
    )
    starts_at = serializers.TimeField()
    ends_at = serializers.TimeField()
    lunch_minutes = serializers.IntegerField(min_value=0, max_value=240, default=30)


class NewTechnician(Body):
    """Somebody who comes, with the working week; without a place the day begins at the branch."""

    name = serializers.CharField(max_length=120)
    branch_code = serializers.CharField(max_length=40)
    works_from = DayField(required=False, allow_null=True, default=None)
    weekdays = Week._declared_fields["weekdays"]
    starts_at = serializers.TimeField()
    ends_at = serializers.TimeField()
    lunch_minutes = serializers.IntegerField(min_value=0, max_value=240, default=30)
    start_latitude = serializers.FloatField(min_value=-90, max_value=90, allow_null=True, default=None)
    start_longitude = serializers.FloatField(min_value=-180, max_value=180, allow_null=True, default=None)
    with_van = serializers.BooleanField(default=True)


class LastDay(Body):
    """The last day of work."""

    last_on = DayField()


class TechnicianFilter(FilterSet):
    """Of technicians."""

    code = CharFilter()
    branch_code = CharFilter(field_name="branch__code")
    is_active = BooleanFilter()


class TechnicianViewSet(RowViewSet):
    """List technicians with their absences."""

    shows = "technician"
    needs = (Permission.SEE_WORK,)
    queryset = Technician.objects.select_related("branch").prefetch_related("skills", "absences")
    serializer_class = TechnicianRow
    filterset_class = TechnicianFilter
    orderings = ("id", "code", "name")

    @operation(
        "add_technician", Permission.PLAN_ROUTES, NewTechnician, TechnicianRow, edits=False, status=201
    )
    def create(self, values: dict) -> int:
        """Take on a technician, with a working week and a van."""
        code = values.pop("branch_code")
        own = self.request.user.branch_id
        branches = Branch.objects.filter(pk=own) if own else Branch.objects.all()
        branch = branches.filter(code=code).first()
        if branch is None:
            raise ValidationError({"branch_code": "There is no such branch among yours."})
        return team.add_technician(branch, **values, by=self.request.user, now=timezone.now()).pk

    @operation("set_working_week", Permission.PLAN_ROUTES, Week, TechnicianRow, at="week", status=201)
    def week(self, technician: Technician, values: dict) -> int:
        """Change the working week from a day on."""
        today = timezone.localdate()
        team.set_pattern(technician, **values, today=today, by=self.request.user, now=timezone.now())
        return technician.pk

    @operation("end_technician", Permission.PLAN_ROUTES, LastDay, TechnicianRow, at="leaving", status=201)
    def leaving(self, technician: Technician, values: dict) -> int:
        """Let a technician go: what is on later routes, or named theirs, is open to others."""
        today = timezone.localdate()
        leaving.leave(technician, **values, today=today, by=self.request.user, now=timezone.now())
        return technician.pk

    @operation("end_absence", Permission.PLAN_ROUTES, AbsenceEnd, TechnicianRow, at="absences/end")
    def end_absence(self, technician: Technician, values: dict) -> int:
        """Take back what of an absence lies ahead."""
        absence = technician.absences.filter(pk=values["id"]).first()
        if absence is None:
            raise ValidationError({"id": "There is no such absence of this technician."})
        today = timezone.localdate()
        calendar_entries.end_absence(absence, today=today, by=self.request.user, now=timezone.now())
        return technician.pk

    @operation("add_absence", Permission.PLAN_ROUTES, NewAbsence, TechnicianRow, at="absences", status=201)
    def absences(self, technician: Technician, values: dict) -> int:
        """Write a technician's absence. Published routes stay as they are until they are planned anew."""
        calendar_entries.add_absence(
            technician, **values, today=timezone.localdate(), by=self.request.user, now=timezone.now()
        )
        return technician.pk
