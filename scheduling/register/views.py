"""Pages that keep customers, sites and water supplies: a list of each, and a form for each act."""

from django.db import transaction
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods

from fleet.models import Branch, Customer, Site, WaterSupply
from fleet.register import customers, sites
from fleet.register.customers import CONTACT_DETAILS
from scheduling.pages.request_context import branch_of, now_and_today, page_of
from scheduling.register import acts, tables
from scheduling.register.act_page import (
    ActPage,
    actor_of,
    customers_of,
    do_act,
    find_site,
    own_customers,
    sites_of,
)
from scheduling.register.forms import (
    ContactForms,
    CustomerForm,
    FromForm,
    MergeForm,
    NewCustomerForm,
    NewSiteForm,
    SiteForm,
    SupplyForm,
    TakeOverForm,
)
from shared.access import requires
from shared.roles import Permission
from shared.tables import render_or_export

PAGE_SIZE = 50
form_page = require_http_methods(["GET", "POST"])


@requires(Permission.SEE_FLEET)
@require_GET
def customer_list(request: HttpRequest) -> HttpResponseBase:
    """List customers, by part of their name, code, telephone or e-mail."""
    words = request.GET.get("q", "")[:80].strip()
    found = customers_of(request).order_by("name", "pk")
    for word in words.split()[:6]:
        asked = ("name", "code", "phone", "email", "contacts__name", "sites__name")
        clause = Q()
        for field in asked:
            clause |= Q(**{f"{field}__icontains": word})
        found = found.filter(pk__in=Customer.objects.filter(clause).values("pk"))
    counted = found.annotate(
        site_count=Count("sites", distinct=True), unit_count=Count("sites__treatment_units", distinct=True)
    )
    shown, paging = page_of(
        request, counted, what=gettext("customers"), size=PAGE_SIZE, total=found.order_by().count()
    )
    context = {"words": words, "paging": paging}
    listed = tables.CUSTOMERS.of(shown, every=lambda: counted)
    return render_or_export(request, "register/customers.html", context, customers=listed)


@requires(Permission.SEE_FLEET)
@require_GET
def customer_page(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show one customer: how to reach them, their sites, and those that were theirs."""
    customer = get_object_or_404(Customer.objects.select_related("merged_into"), code=code)
    if customer.merged_into is not None:
        return redirect("customer_page", code=customer.merged_into.code)
    customer = get_object_or_404(customers_of(request), pk=customer.pk)
    here = sites_of(request).filter(customer=customer).select_related("branch").order_by("name")
    listed = tables.CUSTOMER_SITES.of(here.annotate(unit_count=Count("treatment_units")))
    context = {
        "customer": customer,
        "contacts": customer.contacts.all(),
        "former": customer.former_sites.filter(site__in=sites_of(request)).select_related("site"),
        "doubles": customer.merged_from.order_by("code"),
    }
    return render_or_export(request, "register/customer.html", context, sites=listed)


def _customer(request: HttpRequest, code: str) -> Customer:
    return get_object_or_404(customers_of(request), code=code)


def _to_customer(customer: Customer) -> str:
    return reverse("customer_page", args=[customer.code])


@requires(Permission.EDIT_FLEET)
@form_page
def add_customer(request: HttpRequest) -> HttpResponse:
    """Add a customer alone; with site and units it goes by the page of a new customer."""
    form = NewCustomerForm(request.POST or None)
    contacts = ContactForms(request.POST or None, prefix="contacts")
    page = ActPage(
        gettext("Add a customer"), gettext("Add the customer"), reverse("customers"), gettext("Customers")
    )

    def act(data: dict) -> Customer:
        given = {**form.details, "code": data["code"], "contacts": [one.cleaned_data for one in contacts]}
        return customers.add_customer(actor=actor_of(request), **given)

    def done(made: Customer) -> tuple[str, str]:
        return gettext("%(name)s is added.") % {"name": made.name}, _to_customer(made)

    return do_act(request, page, form, act, done=done, formset=contacts)


@requires(Permission.EDIT_FLEET)
@form_page
def change_customer(request: HttpRequest, code: str) -> HttpResponse:
    """Change what is known of a customer, and whom to speak to."""
    customer = _customer(request, code)
    form = CustomerForm(request.POST or None, instance=customer)
    known = [{name: getattr(one, name) for name in CONTACT_DETAILS} for one in customer.contacts.all()]
    contacts = ContactForms(request.POST or None, prefix="contacts", initial=known)
    page = ActPage(
        gettext("Change %(name)s") % {"name": customer.name}, gettext("Save"), _to_customer(customer),
        customer.name,
    )  # fmt: skip

    @transaction.atomic
    def act(data: dict) -> Customer:
        actor = actor_of(request)
        changed = customers.change_customer(customer, actor=actor, seen=form.seen, **form.details)
        if contacts.has_changed():
            customers.set_contacts(changed, [one.cleaned_data for one in contacts], actor=actor)
        return changed

    def done(made: Customer) -> tuple[str, str]:
        return gettext("%(name)s is changed.") % {"name": made.name}, _to_customer(made)

    return do_act(request, page, form, act, done=done, formset=contacts)


@requires(Permission.EDIT_FLEET)
@form_page
def merge_customers(request: HttpRequest, code: str) -> HttpResponse:
    """Make one customer of two that were entered for the same."""
    double = get_object_or_404(own_customers(request), code=code)
    form = MergeForm(request.POST or None, customers=own_customers(request).exclude(pk=double.pk))
    page = ActPage(
        gettext("Merge %(name)s into another customer") % {"name": double.name}, gettext("Merge them"),
        _to_customer(double), double.name,
        gettext("For a customer who was entered twice. It can’t be taken apart again."), asks_first=True,
    )  # fmt: skip
    return do_act(
        request, page, form, lambda data: acts.merge_customers(double, actor=actor_of(request), **data),
        done=lambda into: (
            gettext("They are one customer now: %(name)s.") % {"name": into.name}, _to_customer(into)
        ),
        effects=lambda data: acts.merge_effects(double, data["into"]),
        also={"offered": form.fields["into"].queryset.order_by("name")[:500]},
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def add_site(request: HttpRequest, code: str) -> HttpResponse:
    """Add a site to a customer."""
    customer = _customer(request, code)
    first = Branch.objects.filter(pk=branch_of(request)).first() or Branch.objects.order_by("name").first()
    form = NewSiteForm(request.POST or None, branch_id=branch_of(request), initial={"branch": first})
    page = ActPage(
        gettext("Add a site of %(name)s") % {"name": customer.name}, gettext("Add the site"),
        _to_customer(customer), customer.name,
    )  # fmt: skip

    def act(data: dict) -> Site:
        return sites.add_site(customer=customer, code=data["code"], actor=actor_of(request), **form.details)

    return do_act(
        request, page, form, act,
        done=lambda made: (gettext("%(name)s is added.") % {"name": made.name}, _to_site(made)),
    )  # fmt: skip


def _to_site(site: Site) -> str:
    return reverse("site_page", args=[site.code])


@requires(Permission.EDIT_FLEET)
@form_page
def change_site(request: HttpRequest, code: str) -> HttpResponse:
    """Change what is known of a site."""
    site = find_site(request, code)
    form = SiteForm(request.POST or None, instance=site, branch_id=branch_of(request))
    page = ActPage(
        gettext("Change %(name)s") % {"name": site.name}, gettext("Save"), _to_site(site), site.name
    )

    def act(data: dict) -> Site:
        details = form.details
        details["time_zone"] = details["time_zone"] or site.time_zone
        return sites.change_site(site, actor=actor_of(request), seen=form.seen, **details)

    return do_act(
        request, page, form, act,
        done=lambda made: (gettext("%(name)s is changed.") % {"name": made.name}, _to_site(made)),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def close_site(request: HttpRequest, code: str) -> HttpResponse:
    """Close a site from a day on, after a look at what that does."""
    site = find_site(request, code)
    now, today = now_and_today(request)
    form = FromForm(request.POST or None, initial={"from_on": today})
    page = ActPage(
        gettext("Close %(name)s") % {"name": site.name}, gettext("Close the site"), _to_site(site), site.name
    )
    return do_act(
        request, page, form, lambda data: acts.close_site(site, actor=actor_of(request), **data),
        done=lambda made: (
            gettext("%(name)s is closed from %(day)s on.") % {"name": made.name, "day": made.closed_on},
            _to_site(made),
        ),
        effects=lambda data: acts.close_effects(site, now),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def reopen_site(request: HttpRequest, code: str) -> HttpResponse:
    """Let a closed site be visited again."""
    site = find_site(request, code)
    _, today = now_and_today(request)
    form = FromForm(request.POST or None, initial={"from_on": today})
    page = ActPage(
        gettext("Reopen %(name)s") % {"name": site.name},
        gettext("Reopen the site"),
        _to_site(site),
        site.name,
    )
    return do_act(
        request, page, form, lambda data: sites.reopen_site(site, actor=actor_of(request), **data),
        done=lambda made: (gettext("%(name)s is reopened.") % {"name": made.name}, _to_site(made)),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def take_over_site(request: HttpRequest, code: str) -> HttpResponse:
    """Make a site another customer's from a day on."""
    site = find_site(request, code)
    now, today = now_and_today(request)
    form = TakeOverForm(
        request.POST or None,
        customers=customers_of(request).exclude(pk=site.customer_id),
        initial={"from_on": today, "seen_customer": site.customer_id},
    )
    page = ActPage(
        gettext("Another customer takes over %(name)s") % {"name": site.name}, gettext("Hand it over"),
        _to_site(site), site.name, asks_first=True,
    )  # fmt: skip
    return do_act(
        request, page, form, lambda data: acts.take_over_site(site, actor=actor_of(request), **data),
        done=lambda made: (
            gettext("%(name)s is %(customer)s’s now.")
            % {"name": made.name, "customer": made.customer.name},
            _to_site(made),
        ),
        effects=lambda data: acts.take_over_effects(site, now),
        also={"offered": form.fields["customer"].queryset.order_by("name")[:500]},
    )  # fmt: skip


@requires(Permission.SEE_FLEET)
@require_GET
def supply_list(request: HttpRequest) -> HttpResponseBase:
    """List water supplies."""
    here = Q(site__branch_id=branch_of(request)) if branch_of(request) else Q()
    rows = WaterSupply.objects.order_by("name").annotate(site_count=Count("site", filter=here, distinct=True))
    return render_or_export(request, "register/supplies.html", {}, supplies=tables.SUPPLIES.of(rows))


@requires(Permission.EDIT_FLEET)
@form_page
def add_supply(request: HttpRequest) -> HttpResponse:
    """Add a water supply."""
    form = SupplyForm(request.POST or None)
    page = ActPage(
        gettext("Add a water supply"),
        gettext("Add the supply"),
        reverse("supplies"),
        gettext("Water supplies"),
    )
    return do_act(
        request, page, form, lambda data: sites.add_supply(actor=actor_of(request), **data),
        done=lambda made: (gettext("%(name)s is added.") % {"name": made.name}, reverse("supplies")),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def change_supply(request: HttpRequest, code: str) -> HttpResponse:
    """Change a water supply."""
    supply = get_object_or_404(WaterSupply, code=code)
    form = SupplyForm(request.POST or None, instance=supply)
    page = ActPage(
        gettext("Change %(name)s") % {"name": supply.name}, gettext("Save"), reverse("supplies"),
        gettext("Water supplies"),
    )  # fmt: skip
    return do_act(
        request, page, form,
        lambda data: sites.change_supply(
            supply, actor=actor_of(request), seen=form.seen, **form.details
        ),
        done=lambda made: (gettext("%(name)s is changed.") % {"name": made.name}, reverse("supplies")),
    )  # fmt: skip
