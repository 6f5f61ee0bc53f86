"""Sites, treatment units, parts and meters; parts in and out."""

from django.utils import timezone
from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, DayField, DayFilter, Details, MomentFilter, PastMomentField, Row, key_field
from api.viewsets import ListViewSet, RowViewSet, operation
from fleet.models import (
    Branch,
    Customer,
    Meter,
    MeterWater,
    Part,
    PartKind,
    PartRole,
    PlaceSource,
    Position,
    ReadinessState,
    RemovalReason,
    Site,
    TreatmentUnit,
    UnitModel,
    UnitState,
    WaterSupply,
)
from fleet.people.audit import by_way_of
from fleet.register import customers, places, sites, units
from fleet.register.customers import CUSTOMER_DETAILS
from fleet.register.sites import SITE_DETAILS, UNIT_DETAILS
from scheduling.crew import calendar
from scheduling.models import SiteClosure
from scheduling.register import acts
from shared.periods import local_day
from shared.roles import Permission

UNIT = ["treatment_unit_id", "treatment_unit_serial"]


class OfUnitFilter(FilterSet):
    """Of whatever belongs to a treatment unit."""

    treatment_unit_serial = CharFilter(field_name="treatment_unit__serial")
    site_code = CharFilter(field_name="treatment_unit__site__code")


class CustomerRow(Row):
    """Who pays. ``merged_into_code`` names the customer a double was merged into."""

    email = serializers.CharField()

    class Meta:
        model = Customer
        fields = ["id", "code", *CUSTOMER_DETAILS, "merged_into_code"]


class CustomerDetails(Details):
    """What can be changed of a customer."""

    billing_address = serializers.CharField(max_length=1000, allow_blank=True, required=False)
    note = serializers.CharField(max_length=4000, allow_blank=True, required=False)

    class Meta:
        model = Customer
        fields = CUSTOMER_DETAILS


class NewCustomer(Body):
    """A customer. Without a code it gets the next one."""

    name = serializers.CharField(max_length=160)
    code = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    email = serializers.EmailField(required=False, allow_blank=True, default="")
    phone = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    billing_address = serializers.CharField(max_length=1000, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=4000, required=False, allow_blank=True, default="")
    wants_notices = serializers.BooleanField(required=False, default=True)


class Merge(Body):
    """Which customer this double is merged into."""

    into_id = key_field()


class CustomerFilter(FilterSet):
    """Of customers."""

    code = CharFilter()
    name = CharFilter(lookup_expr="icontains", max_length=200)


class CustomerViewSet(RowViewSet):
    """List customers."""

    shows = "customer"
    needs = (Permission.SEE_FLEET,)
    queryset = Customer.objects.select_related("merged_into")
    serializer_class = CustomerRow
    filterset_class = CustomerFilter
    orderings = ("id", "code", "name")

    @operation("add_customer", Permission.EDIT_FLEET, NewCustomer, CustomerRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a customer."""
        return customers.add_customer(actor=self.actor, **values).pk

    @operation("change_customer", Permission.EDIT_FLEET, CustomerDetails, CustomerRow)
    def partial_update(self, customer: Customer, values: dict) -> int:
        """Change what is known of a customer."""
        return customers.change_customer(customer, actor=self.actor, **values).pk

    @operation("merge_customer", Permission.EDIT_FLEET, Merge, CustomerRow, at="merge")
    def merge(self, double: Customer, values: dict) -> int:
        """Merge a customer that was entered twice into the other one. The answer is the one that stays."""
        into = self.one_of(Customer.objects.all(), "into_id", "customer", pk=values["into_id"])
        branch_id = self.request.user.branch_id
        for one in (double, into):
            if branch_id is not None and one.sites.exclude(branch_id=branch_id).exists():
                raise ValidationError({"into_id": f"{one.code} has sites in another branch."})
        return acts.merge_customers(double, into=into, actor=self.actor).pk


class ClosureRow(Row):
    """Days on which nobody is let in, both included."""

    class Meta:
        model = SiteClosure
        fields = ["id", "first_on", "last_on", "reason"]


class SiteRow(Row):
    """A site. How its place came about is null where it came in as coordinates."""

    place_source = serializers.ChoiceField(
        choices=PlaceSource.choices, source="place.source", read_only=True, allow_null=True, default=None
    )
    place_accuracy_m = serializers.FloatField(
        source="place.accuracy_m", read_only=True, allow_null=True, default=None
    )
    is_place_to_confirm = serializers.BooleanField(read_only=True)

    closures = ClosureRow(many=True, read_only=True)

    class Meta:
        model = Site
        fields = [
            "id", "code", "name", "customer_code", "customer_name", "branch_code", "supply_code", "address",
            "area", "latitude", "longitude", "place_source", "place_accuracy_m", "is_place_to_confirm",
            "time_zone", "kind", "access_note", "is_closed", "closures",
        ]  # fmt: skip


class SitePlaceBody(Body):
    """Where a site is."""

    latitude = serializers.FloatField()
    longitude = serializers.FloatField()
    accuracy_m = serializers.FloatField(min_value=0, max_value=500_000, required=False, allow_null=True)
    is_sure = serializers.BooleanField(required=False, help_text="Keep it though it looks unlikely.")


class PlaceConfirmation(Body):
    """A rough place found right."""

    is_right = serializers.BooleanField()

    def validate_is_right(self, value: bool) -> bool:
        """Refuse a no: a wrong place is moved."""
        if not value:
            raise ValidationError("Send the right place to place instead.")
        return value


class SiteDetails(Details):
    """What can be changed of a site."""

    latitude = serializers.FloatField(min_value=-90, max_value=90, allow_null=True, required=False)
    longitude = serializers.FloatField(min_value=-180, max_value=180, allow_null=True, required=False)

    class Meta:
        model = Site
        fields = tuple(name for name in SITE_DETAILS if name not in ("supply", "branch"))


class NewSite(Body):
    """A site. Without a code it gets the next one, without a time zone its branch's."""

    customer_id = key_field()
    name = serializers.CharField(max_length=160)
    code = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    branch_code = serializers.CharField(max_length=40)
    supply_code = serializers.CharField(max_length=40, required=False, allow_null=True, default=None)
    address = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")
    area = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")
    latitude = serializers.FloatField(min_value=-90, max_value=90, allow_null=True, default=None)
    longitude = serializers.FloatField(min_value=-180, max_value=180, allow_null=True, default=None)
    time_zone = serializers.CharField(max_length=64, required=False, allow_blank=True, default="")
    kind = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    access_note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class TakeOver(Body):
    """Whose the site becomes, and whether its service plans go on."""

    customer_id = key_field()
    from_on = DayField()
    plans_go_on = serializers.BooleanField(required=False, default=True)


class NewClosure(Body):
    """First and last day on which nobody is let in, both included."""

    first_on = DayField()
    last_on = DayField()
    reason = serializers.CharField(max_length=80, required=False, allow_blank=True, default="")


class ClosureEnd(Body):
    """Which closure is taken back."""

    id = key_field()


class SiteFilter(FilterSet):
    """Of sites."""

    code = CharFilter()
    customer_code = CharFilter(field_name="customer__code")
    branch_code = CharFilter(field_name="branch__code")
    area = CharFilter()
    is_closed = BooleanFilter()


class SiteViewSet(RowViewSet):
    """List sites."""

    shows = "site"
    needs = (Permission.SEE_FLEET,)
    queryset = Site.objects.select_related("customer", "branch", "supply", "place").prefetch_related(
        "closures"
    )
    serializer_class = SiteRow
    filterset_class = SiteFilter
    orderings = ("id", "code", "name")

    @operation("add_site", Permission.EDIT_FLEET, NewSite, SiteRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a site to a customer."""
        customer = self.one_of(
            Customer.objects.all(), "customer_id", "customer", pk=values.pop("customer_id")
        )
        branch = Branch.objects.filter(code=values.pop("branch_code")).first()
        if branch is None or self.request.user.branch_id not in (None, branch.pk):
            raise ValidationError({"branch_code": "There is no such branch, or it is not yours."})
        code = values.pop("supply_code")
        supply = WaterSupply.objects.filter(code=code).first() if code else None
        if code and supply is None:
            raise ValidationError({"supply_code": "There is no such water supply."})
        given = {"customer": customer, "branch": branch, "supply": supply}
        return sites.add_site(actor=self.actor, **given, **values).pk

    @operation("take_over_site", Permission.EDIT_FLEET, TakeOver, SiteRow, at="takeover")
    def takeover(self, site: Site, values: dict) -> int:
        """Make the site another customer's from a day on."""
        customer = self.one_of(
            Customer.objects.all(), "customer_id", "customer", pk=values.pop("customer_id")
        )
        seen = site.customer_id
        return acts.take_over_site(site, customer=customer, actor=self.actor, seen_customer=seen, **values).pk

    @operation("change_site", Permission.EDIT_FLEET, SiteDetails, SiteRow)
    def partial_update(self, site: Site, values: dict) -> int:
        """Change what is known of a site."""
        return sites.change_site(site, actor=self.actor, **values).pk

    @operation("place_site", Permission.EDIT_FLEET, SitePlaceBody, SiteRow, at="place")
    def place(self, site: Site, values: dict) -> int:
        """Say where a site is. An unlikely place is refused unless is_sure."""
        with by_way_of(self.way):
            places.place_site(
                site, **values, source=PlaceSource.TYPED, by=self.request.user, now=timezone.now()
            )
        return site.pk

    @operation("confirm_place", Permission.EDIT_FLEET, PlaceConfirmation, SiteRow, at="place-confirmation")
    def place_confirmation(self, site: Site, values: dict) -> int:
        """Say that a rough place is right."""
        with by_way_of(self.way):
            places.confirm(site, by=self.request.user, now=timezone.now())
        return site.pk

    @operation("close_site_for_days", Permission.PLAN_ROUTES, NewClosure, SiteRow, at="closures", status=201)
    def closures(self, site: Site, values: dict) -> int:
        """Write down that nobody is let in on some days. Published routes stay until planned anew."""
        now = timezone.now()
        today = local_day(now, site.time_zone)
        calendar.close_site(site, **values, today=today, by=self.request.user, now=now)
        return site.pk

    @operation("reopen_site_for_days", Permission.PLAN_ROUTES, ClosureEnd, SiteRow, at="closures/end")
    def end_closure(self, site: Site, values: dict) -> int:
        """Take a closure back."""
        closure = site.closures.filter(pk=values["id"]).first()
        if closure is None:
            raise ValidationError({"id": "There is no such closure of this site."})
        calendar.reopen_site(closure, by=self.request.user, now=timezone.now())
        return site.pk


class UnitStateRow(Row):
    """What assessment knows of a treatment unit."""

    class Meta:
        model = UnitState
        fields = [
            "permeate_gal_per_day", "spread_gal_per_sqrt_day", "recovery", "recovery_is_measured",
            "is_design_duty", "readings_used", "last_read_at", "readiness", "owed_flush", "owed_part_id",
            "owed_since", "flush_gal", "flush_minutes", "flow_change", "passage_change", "drop_change",
            "raw_flow_change", "normalised_flow_gpm", "salt_passage", "crosses_limit_on", "pattern",
            "is_decaying", "next_due_on", "worst_wear", "assessed_at",
        ]  # fmt: skip


class TreatmentUnitRow(Row):
    """A treatment unit with its state; no state before the first assessment."""

    state = UnitStateRow(read_only=True, allow_null=True, default=None)

    class Meta:
        model = TreatmentUnit
        fields = [
            "id", "serial", "label", "site_id", "site_code", "commissioned_on", "design_recovery",
            "design_use_gal_per_day", "design_permeate_gpm", "idle_limit_days", "mains_voltage",
            "is_out_of_service", "out_of_service_reason", "retired_on", "retired_because", "state",
        ]  # fmt: skip


class TreatmentUnitDetails(Details):
    """What can be changed of a treatment unit."""

    idle_limit_days = serializers.FloatField(min_value=0.5, max_value=3650, required=False)
    note = serializers.CharField(max_length=4000, allow_blank=True, required=False)

    class Meta:
        model = TreatmentUnit
        fields = UNIT_DETAILS


class NewUnit(Body):
    """A treatment unit. Without a model it states its design figures; without a day it waits."""

    site_id = key_field()
    serial = serializers.CharField(max_length=60)
    model_code = serializers.CharField(max_length=40, required=False, allow_null=True, default=None)
    label = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    commissioned_on = DayField(required=False, allow_null=True, default=None)
    design_use_gal_per_day = serializers.FloatField(min_value=0, max_value=1e7, allow_null=True, default=None)
    design_permeate_gpm = serializers.FloatField(
        min_value=0.001, max_value=1e4, allow_null=True, default=None
    )


class Swap(Body):
    """The machine that comes in this one's place."""

    serial = serializers.CharField(max_length=60)
    on = DayField()
    because = serializers.CharField(max_length=160, required=False, allow_blank=True, default="")
    with_parts = serializers.BooleanField(required=False, default=True)


class Move(Body):
    """Where the unit goes, and since when it stands there."""

    site_id = key_field()
    on = DayField()


class Retirement(Body):
    """Since when the unit serves no more, and why."""

    on = DayField()
    because = serializers.CharField(max_length=160)


class TreatmentUnitFilter(FilterSet):
    """Of treatment units."""

    serial = CharFilter()
    site_code = CharFilter(field_name="site__code")
    branch_code = CharFilter(field_name="site__branch__code")
    readiness = ChoiceFilter(field_name="state__readiness", choices=ReadinessState.choices)
    is_decaying = BooleanFilter(field_name="state__is_decaying")
    is_out_of_service = BooleanFilter()
    next_due_to = DayFilter(field_name="state__next_due_on", lookup_expr="lte")


class TreatmentUnitViewSet(RowViewSet):
    """List treatment units with their state."""

    shows = "treatment unit with its state"
    needs = (Permission.SEE_FLEET,)
    queryset = TreatmentUnit.objects.select_related("site", "state")
    serializer_class = TreatmentUnitRow
    filterset_class = TreatmentUnitFilter
    orderings = ("id", "serial")

    @operation("add_unit", Permission.EDIT_FLEET, NewUnit, TreatmentUnitRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a treatment unit to a site, with the positions and usual parts of its model."""
        site = self.one_of(Site.objects.all(), "site_id", "site", pk=values.pop("site_id"))
        code = values.pop("model_code")
        model = UnitModel.objects.filter(code=code).first() if code else None
        if code and model is None:
            raise ValidationError({"model_code": "There is no such model in the catalogue."})
        return units.add_unit(site=site, unit_model=model, actor=self.actor, **values).pk

    @operation("swap_treatment_unit", Permission.EDIT_FLEET, Swap, TreatmentUnitRow, at="swap", status=201)
    def swap(self, unit: TreatmentUnit, values: dict) -> int:
        """Put another machine in a unit's place. The answer is the new one."""
        return acts.swap_unit(unit, actor=self.actor, **values).pk

    @operation("move_treatment_unit", Permission.EDIT_FLEET, Move, TreatmentUnitRow, at="move")
    def move(self, unit: TreatmentUnit, values: dict) -> int:
        """Move a unit to another site; its history goes with it."""
        to = self.one_of(Site.objects.all(), "site_id", "site", pk=values["site_id"])
        seen = unit.site_id
        return acts.move_unit(unit, to=to, on=values["on"], actor=self.actor, seen_site=seen).pk

    @operation("retire_treatment_unit", Permission.EDIT_FLEET, Retirement, TreatmentUnitRow, at="retirement")
    def retirement(self, unit: TreatmentUnit, values: dict) -> int:
        """Retire a unit: its open work is withdrawn, its plans end, its history stays."""
        return acts.retire_unit(unit, actor=self.actor, **values).pk

    @operation("change_treatment_unit", Permission.EDIT_FLEET, TreatmentUnitDetails, TreatmentUnitRow)
    def partial_update(self, unit: TreatmentUnit, values: dict) -> int:
        """Change what is known of a treatment unit, or take it out of service for a reason."""
        return sites.change_treatment_unit(unit, actor=self.actor, **values).pk


class PartRow(Row):
    """A physical part with its time in place."""

    position = serializers.CharField(source="position.code", read_only=True)
    role = serializers.CharField(source="kind.role", read_only=True)

    class Meta:
        model = Part
        fields = [
            "id", *UNIT, "position", "kind_code", "kind_name", "role", "serial", "lot", "made_on",
            "installed_at", "removed_at", "removal_reason", "clean_drop_psi", "clean_drop_flow_gpm",
        ]  # fmt: skip


class PutIn(Body):
    """What is known of a part that is put in."""

    kind_code = serializers.CharField(max_length=80)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    lot = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    made_on = DayField(required=False, allow_null=True, default=None)

    def validate(self, attrs: dict) -> dict:
        """Find the kind in the catalogue, as ``part``."""
        kind = PartKind.objects.filter(code=attrs["kind_code"]).first()
        if kind is None:
            raise ValidationError({"kind_code": "There is no such kind of part in the catalogue."})
        return attrs | {"part": {"kind": kind} | {name: attrs[name] for name in ("serial", "lot", "made_on")}}


class NewPart(PutIn):
    """A part put into an empty position."""

    treatment_unit_id = key_field()
    position = serializers.CharField(max_length=40, help_text="Code of the position.")
    installed_at = PastMomentField()


class PartRemoval(Body):
    """A part taken out."""

    removed_at = PastMomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)


class PartReplacement(PutIn):
    """A part taken out and another put in at the same moment."""

    changed_at = PastMomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)


class PartFilter(OfUnitFilter):
    """Of parts."""

    kind_code = CharFilter(field_name="kind__code")
    role = ChoiceFilter(field_name="kind__role", choices=PartRole.choices)
    lot = CharFilter()
    is_in_place = BooleanFilter(field_name="removed_at", lookup_expr="isnull")
    installed_from = MomentFilter(field_name="installed_at", lookup_expr="gte")
    installed_to = MomentFilter(field_name="installed_at", lookup_expr="lt")


class PartViewSet(RowViewSet):
    """List parts, in place and taken out."""

    shows = "part"
    needs = (Permission.SEE_FLEET,)
    queryset = Part.objects.select_related("treatment_unit", "position", "kind")
    serializer_class = PartRow
    filterset_class = PartFilter
    orderings = ("id", "installed_at")

    @operation("install_part", Permission.EDIT_FLEET, NewPart, PartRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Put a part into an empty position."""
        unit = self.one_of(
            TreatmentUnit.objects.all(), "treatment_unit_id", "treatment unit", pk=values["treatment_unit_id"]
        )
        position = Position.objects.filter(treatment_unit=unit, code=values["position"]).first()
        if position is None:
            raise ValidationError({"position": f"{unit} has no such position."})
        at = values["installed_at"]
        return units.put_part_in(position, at=at, actor=self.actor, **values["part"]).pk

    @operation("remove_part", Permission.EDIT_FLEET, PartRemoval, PartRow, at="removal")
    def removal(self, part: Part, values: dict) -> int:
        """Take a part out."""
        at, reason = values["removed_at"], values["removal_reason"]
        return units.take_part_out(part, at=at, reason=reason, actor=self.actor).pk

    @operation("replace_part", Permission.EDIT_FLEET, PartReplacement, PartRow, at="replacement", status=201)
    def replacement(self, old: Part, values: dict) -> int:
        """Take a part out and put another in at the same moment. The answer is the new one."""
        at, reason = values["changed_at"], values["removal_reason"]
        return units.replace_part(old, at=at, reason=reason, actor=self.actor, **values["part"]).pk


class MeterRow(Row):
    """A water meter and its time in place."""

    class Meta:
        model = Meter
        fields = ["id", *UNIT, "water", "serial", "measure", "digits", "installed_at", "removed_at"]


class MeterFilter(OfUnitFilter):
    """Of meters."""

    serial = CharFilter()
    water = ChoiceFilter(choices=MeterWater.choices)
    is_in_place = BooleanFilter(field_name="removed_at", lookup_expr="isnull")


class MeterViewSet(ListViewSet):
    """List meters."""

    needs = (Permission.SEE_FLEET,)
    queryset = Meter.objects.select_related("treatment_unit")
    serializer_class = MeterRow
    filterset_class = MeterFilter
