"""Revenue entries."""

from django.conf import settings
from django.utils import timezone
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers

from api.fields import Body, DayFilter, MomentFilter, Row
from api.viewsets import RowViewSet, operation
from scheduling.billing import revenue
from scheduling.models import EntryKind, RevenueEntry
from shared.roles import Permission


class RevenueEntryRow(Row):
    """One amount for one cause, in one month."""

    currency = serializers.SerializerMethodField()

    class Meta:
        model = RevenueEntry
        fields = ["id", "kind", "cause_key", "site_id", "site_code", "treatment_unit_id", "plan_code",
                  "close_out_id", "corrects_id", "month", "amount", "currency", "text",
                  "entered_at"]  # fmt: skip

    def get_currency(self, entry: RevenueEntry) -> str:
        """Return the company's one currency, ISO 4217."""
        return settings.CURRENCY


class AmountCorrection(Body):
    """What an entry is to come to, and why."""

    to_amount = serializers.DecimalField(max_digits=12, decimal_places=2)
    because = serializers.CharField(max_length=120)


class RevenueEntryFilter(FilterSet):
    """Of revenue entries."""

    kind = ChoiceFilter(choices=EntryKind.choices)
    site_code = CharFilter(field_name="site__code")
    month_from = DayFilter(field_name="month", lookup_expr="gte")
    month_to = DayFilter(field_name="month", lookup_expr="lte")
    entered_from = MomentFilter(field_name="entered_at", lookup_expr="gte")


class RevenueEntryViewSet(RowViewSet):
    """List revenue entries, corrections as entries of their own."""

    shows = "revenue entry"
    needs = (Permission.SEE_REVENUE,)
    queryset = RevenueEntry.objects.select_related("site", "plan")
    serializer_class = RevenueEntryRow
    filterset_class = RevenueEntryFilter
    orderings = ("id", "month", "entered_at")

    @operation(
        "correct_revenue", Permission.CORRECT_MONEY, AmountCorrection, RevenueEntryRow, at="correction",
        status=201,
    )  # fmt: skip
    def correction(self, entry: RevenueEntry, values: dict) -> int:
        """Make an entry, with its corrections, come to an amount by a further entry, which is the answer."""
        done = revenue.correct(
            entry, to_amount=values["to_amount"], because=values["because"], by=self.request.user,
            now=timezone.now(),
        )  # fmt: skip
        return done.pk
