"""Sites: list, add, change, place, take over, closures."""

from django.utils import timezone
from django_filters.rest_framework import BooleanFilter, CharFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, DayField, Details, Row, key_field
from api.viewsets import RowViewSet, operation
from fleet.models import (
    Branch,
    Customer,
    PlaceSource,
    Site,
    WaterSupply,
)
from fleet.people.audit import by_way_of
from fleet.register import places, sites
from fleet.register.sites import SITE_DETAILS
from scheduling.crew import calendar_entries
from scheduling.models import SiteClosure
from scheduling.register import acts
from shared.periods import local_day
from shared.roles import Permission


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
        calendar_entries.close_site(site, **values, today=today, by=self.request.user, now=now)
        return site.pk

    @operation("reopen_site_for_days", Permission.PLAN_ROUTES, ClosureEnd, SiteRow, at="closures/end")
    def end_closure(self, site: Site, values: dict) -> int:
        """Take a closure back."""
        closure = site.closures.filter(pk=values["id"]).first()
        if closure is None:
            raise ValidationError({"id": "There is no such closure of this site."})
        calendar_entries.reopen_site(closure, by=self.request.user, now=timezone.now())
        return site.pk
