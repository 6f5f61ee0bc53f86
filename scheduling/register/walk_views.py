"""The page of a new customer: one walk that can be left and taken up again."""

import re
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext, gettext_lazy
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import Branch, Customer, MeterMeasure, TreatmentUnit, UnitModel, WaterSupply
from scheduling.models import PlanInterval
from scheduling.pages.forms import DayInput
from scheduling.pages.request_context import branch_of
from scheduling.register import walk
from scheduling.register.act_page import actor_of
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate

UNITS_AT_FIRST = 2
NOT_KEPT = {"csrfmiddlewaretoken", "do", "shown_at"}
_UNIT = re.compile(r"units-(\d+)-(\w+)")
CLOCK = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")


class WalkForm(forms.Form):
    """All but the units."""

    name = forms.CharField(label=_("Name"), max_length=160)
    is_another = forms.BooleanField(
        label=_("It is another customer than the one of that name"), required=False
    )
    phone = forms.CharField(label=_("Telephone"), required=False, max_length=40)
    email = forms.EmailField(label=_("E-mail for notices"), required=False)
    contact = forms.CharField(label=_("Contact person"), required=False, max_length=120)
    billing_address = forms.CharField(
        label=_("Billing address"), required=False, widget=forms.Textarea(attrs={"rows": 2}),
        help_text=_("Left empty: the site’s."),
    )  # fmt: skip
    site_name = forms.CharField(
        label=_("Name of the site"), required=False, max_length=160,
        help_text=_("Left empty: the customer’s name."),
    )  # fmt: skip
    address = forms.CharField(label=_("Address"), required=False, max_length=240)
    area = forms.CharField(label=_("Area"), required=False, max_length=80)
    supply = forms.ModelChoiceField(
        WaterSupply.objects.order_by("name"), label=_("Water supply"), required=False,
        empty_label=gettext_lazy("Not known yet"),
    )  # fmt: skip
    access_note = forms.CharField(label=_("How to get in"), required=False, max_length=240)
    branch = forms.ModelChoiceField(
        Branch.objects.order_by("name"), label=_("Depot"), required=False, empty_label=None
    )
    branch_name = forms.CharField(
        label=_("Your depot"), required=False, max_length=80,
        help_text=_("The first one; the site is served from there."),
    )  # fmt: skip
    weekdays = forms.MultipleChoiceField(
        label=_("Open on"), required=False, widget=forms.CheckboxSelectMultiple,
        choices=lambda: list(WEEKDAYS.items()),
    )  # fmt: skip
    opens_at = forms.TimeField(label=_("Opens at"), required=False, widget=CLOCK)
    closes_at = forms.TimeField(label=_("Closes at"), required=False, widget=CLOCK)
    plan_name = forms.CharField(label=_("Service plan"), required=False, max_length=120)
    plan_price = forms.DecimalField(
        label=_("Price per interval, before tax"), required=False, min_value=0, max_digits=10,
        decimal_places=2,
    )  # fmt: skip
    plan_interval = forms.ChoiceField(label=_("Interval"), required=False, choices=PlanInterval.choices)
    plan_visit_every_months = forms.IntegerField(
        label=_("A visit every so many months"), required=False, min_value=1, max_value=60
    )
    plan_starts_on = forms.DateField(label=_("From"), required=False, widget=DayInput())
    visit_from = forms.DateField(label=_("First visit not before"), required=False, widget=DayInput())
    visit_to = forms.DateField(label=_("First visit not after"), required=False, widget=DayInput())

    def __init__(self, *args: Any, branch_id: int | None, with_plan: bool, **given: Any) -> None:
        super().__init__(*args, **given)
        branches = Branch.objects.order_by("name")
        here = branches.filter(pk=branch_id) if branch_id else branches
        self.fields["branch"].queryset = here
        self.fields.pop("branch_name" if here else "branch")
        if not with_plan:
            for name in [name for name in self.fields if name.startswith("plan_")]:
                self.fields.pop(name)

    def clean(self) -> dict[str, Any]:
        """Hold together what goes together."""
        data = super().clean()
        same = Customer.objects.filter(name__iexact=data.get("name", ""), merged_into__isnull=True).first()
        if same is not None and not data.get("is_another"):
            told = gettext(
                "There is a customer %(name)s (%(code)s). Add the site there, or tick the box below."
            )
            self.add_error("name", told % {"name": same.name, "code": same.code})
        self._together(("weekdays", "opens_at", "closes_at"), gettext("Say days, opening and closing."))
        self._together(("visit_from", "visit_to"), gettext("Give both days."))
        if data.get("plan_name") or data.get("plan_price") is not None:
            for name in ("plan_name", "plan_price", "plan_starts_on"):
                if data.get(name) in (None, "") and name not in self.errors:
                    self.add_error(
                        name, gettext("A service plan needs its name, its price and its first day.")
                    )
        return data

    def _together(self, names: tuple[str, ...], told: str) -> None:
        given = [name for name in names if self.cleaned_data.get(name)]
        if given and len(given) < len(names):
            for name in names:
                if name not in given and name not in self.errors:
                    self.add_error(name, told)


class UnitLine(forms.Form):
    """One treatment unit."""

    serial = forms.CharField(label=_("Serial"), max_length=60)
    unit_model = forms.ModelChoiceField(UnitModel.objects.all(), label=_("Model"), empty_label=None)
    label = forms.CharField(label=_("Where it stands"), required=False, max_length=120)
    is_running = forms.BooleanField(label=_("It is running already"), required=False)
    running_since = forms.DateField(
        label=_("Installed on"), required=False, widget=DayInput(),
        help_text=_(
            "If it is running: the day its present parts went in, as near as you know. "
            "If that is a month ago or more, they are taken as flushed."
        ),
    )  # fmt: skip
    meter_total = forms.FloatField(label=_("Meter shows now"), required=False, min_value=0, max_value=1e12)
    meter_measure = forms.ChoiceField(label=_("Meter counts"), choices=MeterMeasure.choices, required=False)

    def has_changed(self) -> bool:
        """A line is filled in when it names a serial; what a new line offers by itself is nothing typed."""
        typed = ("serial", "label", "running_since", "meter_total", "is_running")
        return any(self.data.get(self.add_prefix(name)) for name in typed)

    def clean_serial(self) -> str:
        """Refuse, beside its field, a serial that is there."""
        serial = self.cleaned_data["serial"].strip()
        if TreatmentUnit.objects.filter(serial__iexact=serial).exists():
            told = gettext("There is a treatment unit %(serial)s already. Read the label again.")
            raise forms.ValidationError(told % {"serial": serial})
        return serial

    def clean(self) -> dict[str, Any]:
        """What runs says since when."""
        data = super().clean()
        if data.get("is_running") and not data.get("running_since") and "running_since" not in self.errors:
            self.add_error("running_since", gettext("Say since when it runs, as near as you know."))
        return data


UnitLines = forms.formset_factory(UnitLine, extra=UNITS_AT_FIRST, max_num=20)


@requires(Permission.EDIT_FLEET)
@require_http_methods(["GET", "POST"])
def new_customer(request: HttpRequest) -> HttpResponse:
    """Take a new customer in, or show the walk as far as the person got."""
    with_plan = request.user.may(Permission.SEE_REVENUE)
    given = {"branch_id": branch_of(request), "with_plan": with_plan}
    if request.method != "POST":
        draft = walk.draft_of(request.user)
        fields, lines = _initial(draft.fields if draft else {}, timezone.localdate())
        extra = max(UNITS_AT_FIRST, len(lines) + 1) - len(lines)
        kept = forms.formset_factory(UnitLine, extra=extra, max_num=20)(prefix="units", initial=lines)
        return _page(request, WalkForm(initial=fields, **given), kept, draft)
    if request.POST.get("do") in ("later", "more"):
        _keep(request)
        if request.POST["do"] == "more":
            return redirect("new_customer")
        messages.success(request, gettext("What you entered is kept. Take it up again under “New customer”."))
        return redirect("customers")
    if request.POST.get("do") == "anew":
        walk.drop_draft(request.user, now=timezone.now())
        return redirect("new_customer")
    form, lines = WalkForm(request.POST, **given), UnitLines(request.POST, prefix="units")
    for line in lines:
        line.empty_permitted = True
    if form.is_valid() & lines.is_valid():
        try:
            made = _take_in(request, form.cleaned_data, lines)
        except DomainError as error:
            _refuse(form, lines, error)
        else:
            messages.success(request, gettext("%(name)s is added.") % {"name": made.name})
            return redirect("customer_page", code=made.code)
    _keep(request)
    return _page(request, form, lines, None)


@requires(Permission.EDIT_FLEET)
@require_POST
def keep_new_customer(request: HttpRequest) -> HttpResponse:
    """Keep the walk as far as it got, without a word; the page asks for it by itself."""
    _keep(request)
    return HttpResponse(status=204)


def _keep(request: HttpRequest) -> None:
    fields = {name: values for name, values in request.POST.lists() if name not in NOT_KEPT}
    typed = {name: values for name, values in fields.items() if not name.endswith("_FORMS")}
    now = timezone.now()
    try:
        shown_at = parse_datetime(request.POST.get("shown_at", ""))
    except ValueError:
        shown_at = None
    walk.keep_draft(request.user, typed, shown_at=shown_at if shown_at and shown_at.tzinfo else now, now=now)


def _initial(kept: dict[str, list[str]], today: object) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return what was typed as initial values of the form and of its lines."""
    fields: dict[str, Any] = {"plan_starts_on": today} | {
        name: values if name == "weekdays" else values[0] for name, values in kept.items()
    }
    lines: dict[int, dict[str, Any]] = {}
    for name, values in kept.items():
        if found := _UNIT.fullmatch(name):
            lines.setdefault(int(found[1]), {})[found[2]] = values[0]
    filled = [lines[number] for number in sorted(lines) if lines[number].get("serial")]
    return fields, filled


def _take_in(request: HttpRequest, data: dict[str, Any], lines: forms.BaseFormSet) -> Customer:
    units = [
        walk.NewUnit(
            serial=one["serial"], unit_model=one["unit_model"], label=one["label"],
            running_since=one["running_since"] if one["is_running"] else None,
            meter_total=one["meter_total"], meter_measure=one["meter_measure"] or MeterMeasure.GALLON,
        )
        for one in (line.cleaned_data for line in lines) if one
    ]  # fmt: skip
    plan = hours = None
    if data.get("plan_name"):
        plan = walk.NewPlan(
            data["plan_name"], data["plan_price"], data["plan_interval"] or PlanInterval.MONTH,
            data["plan_starts_on"], data["plan_visit_every_months"],
        )  # fmt: skip
    if data["weekdays"]:
        hours = walk.NewHours([int(day) for day in data["weekdays"]], data["opens_at"], data["closes_at"])
    contacts = [{"name": data["contact"], "phone": data["phone"]}] if data["contact"] else []
    return walk.take_in(
        customer={
            "name": data["name"], "phone": data["phone"], "email": data["email"], "contacts": contacts,
            "billing_address": data["billing_address"] or data["address"],
        },
        site={
            "name": data["site_name"] or data["name"], "address": data["address"], "area": data["area"],
            "supply": data["supply"], "access_note": data["access_note"], "branch": data.get("branch"),
        },
        branch_name=data.get("branch_name", ""),
        new_units=units, plan=plan, hours=hours,
        visit=(data["visit_from"], data["visit_to"]) if data["visit_from"] else None,
        actor=actor_of(request),
    )  # fmt: skip


PLACES = {
    "site-name": "site_name", "site-branch": "branch", "hours-closes_at": "closes_at",
    "visit-window_from": "visit_from", "visit-window_to": "visit_to", "plan-amount": "plan_price",
    "plan-starts_on": "plan_starts_on",
}  # fmt: skip


def _refuse(form: WalkForm, lines: forms.BaseFormSet, error: DomainError) -> None:
    """Say what is wrong beside its field, wherever on the page that is."""
    place, _sign, field = error.field.partition("-")
    told = translate(error)
    if place.startswith("unit") and place[4:].isdigit():
        filled = [line for line in lines if line.has_changed()] or list(lines)
        line = filled[min(int(place[4:]), len(filled) - 1)]
        line.add_error(field if field in line.fields else None, told)
        return
    name = PLACES.get(error.field, f"plan_{field}" if place == "plan" else field)
    form.add_error(name if name in form.fields else None, told)


def _page(request: HttpRequest, form: WalkForm, lines: forms.BaseFormSet, draft: object) -> HttpResponse:
    def of(*names: str) -> list:
        return [form[name] for name in names if name in form.fields]

    is_another = of("is_another") if form.is_bound and "name" in form.errors else []
    plan = [form[name] for name in form.fields if name.startswith("plan_")]
    groups = [
        (
            gettext("Customer"),
            [form["name"], *is_another, *of("phone", "email", "contact", "billing_address")],
        ),
        (
            gettext("Site"),
            of("site_name", "address", "area", "supply", "access_note", "branch", "branch_name"),
        ),
    ]
    later = [
        (gettext("Access hours"), of("weekdays", "opens_at", "closes_at")),
        *([(gettext("Service plan"), plan)] if plan else []),
        (gettext("First visit"), of("visit_from", "visit_to")),
    ]
    bad = bool(form.is_bound and (form.errors or any(lines.errors)))
    context = {
        "shown_at": timezone.now(),
        "form": form, "lines": lines, "groups": groups, "later": later, "draft": draft,
        "has_models": UnitModel.objects.exists(),
    }  # fmt: skip
    return render(request, "register/new_customer.html", context, status=422 if bad else 200)
