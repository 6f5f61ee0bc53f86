"""Customers: list, add, change, merge."""

from django_filters.rest_framework import CharFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, Details, Row, key_field
from api.viewsets import RowViewSet, operation
from fleet.models import (
    Customer,
)
from fleet.register import customers
from fleet.register.customers import CUSTOMER_DETAILS
from scheduling.register import acts
from shared.roles import Permission


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
