"""Forms of the register. Each carries what the person saw, so that nobody overwrites another unseen."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.db.models import Q, QuerySet
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.display.figures import QUANTITIES, measure_for
from fleet.models import (
    Branch,
    Customer,
    MakeUp,
    PartKind,
    PositionWater,
    RemovalReason,
    Site,
    TreatmentUnit,
    UnitModel,
    WaterSupply,
)
from fleet.register import rows
from fleet.register.catalogue import KIND_DETAILS, MODEL_DETAILS
from fleet.register.customers import CUSTOMER_DETAILS
from fleet.register.sites import SUPPLY_DETAILS
from scheduling.pages.figures import quantity_of
from scheduling.pages.forms import DayInput
from scheduling.stock.views import KindField
from scheduling.visits.fields import read_number
from shared.errors import DomainError
from shared.measures import from_inside, to_inside
from shared.translation import translate

LABELS = {
    "code": _("Code"), "name": _("Name"), "email": _("E-mail for notices"), "phone": _("Telephone"),
    "billing_address": _("Billing address"), "wants_notices": _("Tell them of visits by e-mail"),
    "note": _("Note"), "customer": _("Customer"), "branch": _("Depot"), "supply": _("Water supply"),
    "address": _("Address"), "area": _("Area"), "latitude": _("Latitude"), "longitude": _("Longitude"),
    "time_zone": _("Time zone"), "kind": _("Kind"), "access_note": _("How to get in"), "serial": _("Serial"),
    "label": _("Where it stands"), "commissioned_on": _("Commissioned"),
    "design_recovery": _("Recovery set-point"), "design_use_gal_per_day": _("Use expected"),
    "design_permeate_gpm": _("Permeate flow at 25 °C"), "idle_limit_days": _("Idle limit, days"),
    "mains_voltage": _("Mains, V"),
    "promised_conductivity_us_cm": _("Conductivity promised at the tap, µS/cm"),
    "is_out_of_service": _("Out of service"),
    "out_of_service_reason": _("Why it is out of service"), "unit_model": _("Model"),
    "role": _("What it does"), "membrane_type": _("Kind of membrane"), "rated_gal": _("Rated volume"),
    "rated_months": _("Rated months"), "shelf_life_months": _("Shelf life, months"),
    "rating_chlorine_mg_l": _("Chlorine of the rating"), "chloramine_factor": _("Chloramine factor"),
    "bed_volume_ft3": _("Bed volume, ft³"), "rated_flow_gpm": _("Rated flow"),
    "terminal_drop_psi": _("Pressure drop at which it is changed"),
    "rated_hardness_mg_l": _("Hardness of the rating, as CaCO3"),
    "hardness_capacity_grains": _("Softening capacity, grains"),
    "oxidant_tolerance_mg_h_l": _("Free chlorine it bears, mg·h/L"),
    "rated_permeate_gal_per_day": _("Rated permeate"),
    "temperature_k_below_25": _("Temperature constant below 25 °C, K"),
    "temperature_k_from_25": _("Temperature constant from 25 °C, K"), "needs_flush": _("Flushed when new"),
    "flush_gal": _("Flush volume"), "flush_gpm": _("Flush flow"),
    "change_minutes": _("Minutes a change takes"), "cost": _("Cost"), "price": _("Price"),
    **{name: TreatmentUnit._meta.get_field(name).verbose_name for name in MakeUp.names()},
}  # fmt: skip
HELP = {
    "code": _("Your short name for it. Left empty it gets the next number."),
    "email": _("Empty: nobody is written to."),
    "kind": _("e.g. café; like sites lend each other their use."),
    "design_recovery": _("Permeate over feed, 0.01 to 0.99."),
    "latitude": _("Degrees north, e.g. 41.05."),
    "longitude": _("Degrees east; west is negative, e.g. −98.30."),
}


class MeasuredField(forms.FloatField):
    """A number in a person's measure; cleaned it is in the working one."""

    widget = forms.TextInput

    def use(self, quantity: str, system: str) -> None:
        """Take and show numbers in a person's measure."""
        self.measure = measure_for(quantity, system)
        self.label = f"{self.label}, {self.measure.value}"
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def prepare_value(self, value: Any) -> Any:
        """Write what stands in the person's measure; what was typed stays as it is."""
        return f"{from_inside(value, self.measure):.6g}" if isinstance(value, int | float) else value

    def to_python(self, value: Any) -> float | None:
        """Read a number as people type it."""
        if value in self.empty_values:
            return None
        number = read_number(str(value))
        if number is None:
            told = {"text": repr(value)}
            raise forms.ValidationError(gettext("%(text)s is not a number. Write digits, e.g. 12.5.") % told)
        return to_inside(number, self.measure)


class RegisterForm(forms.ModelForm):
    """Some columns of a row. It writes nothing: the act does, by its one rule."""

    def __init__(self, data: Any = None, *, system: str = "us", **given: Any) -> None:
        super().__init__(data, **given)
        is_change = self.instance.pk is not None
        for name, field in list(self.fields.items()):
            field.label = LABELS.get(name, field.label)
            field.help_text = HELP.get(name, "")
            quantity = quantity_of(name)
            if isinstance(field, forms.FloatField) and quantity in QUANTITIES:
                measured = MeasuredField(
                    label=field.label, required=field.required, help_text=field.help_text
                )
                measured.use(quantity, system)
                self.fields[name] = measured
            self.fields[name].show_hidden_initial = is_change

    def _post_clean(self) -> None:
        """Leave the rules to the act, which asks the row itself under a lock."""

    def validate_unique(self) -> None:
        """Leave it to the act."""

    @property
    def details(self) -> dict[str, Any]:
        """Return the row's own columns as cleaned."""
        return {name: self.cleaned_data[name] for name in self._meta.fields if name in self.cleaned_data}

    @property
    def seen(self) -> dict[str, Any]:
        """Return what stood in the fields when the page was made; by its hidden copies."""
        found = {}
        for name in self._meta.fields:
            field = self.fields.get(name)
            raw = self.data.get(self.add_initial_prefix(name)) if field else None
            if raw is None:
                continue
            try:
                found[name] = field.to_python(raw)
            except forms.ValidationError:
                continue
            if found[name] is None and isinstance(field, forms.CharField):
                found[name] = ""
        return found

    def refuse(self, error: DomainError) -> None:
        """Say beside its field what is wrong; where somebody else was faster, what stands now."""
        refuse(self, error)
        if not isinstance(error, rows.Overtaken):
            return
        self.data = self.data.copy()
        for name, value in error.now.items():
            if name not in self.fields:
                continue
            prepared = self[name].field.prepare_value(getattr(value, "pk", value))
            self.data[self.add_initial_prefix(name)] = "" if prepared is None else str(prepared)
            if name != error.field:
                told = {"value": rows.shown(value) or "–"}
                self.add_error(name, gettext("Changed meanwhile: now it is %(value)s.") % told)


def refuse(form: forms.Form, error: DomainError) -> None:
    """Make a refusal the error of the field it is about, else of the form."""
    form.add_error(error.field if error.field in form.fields else None, translate(error))


class CustomerForm(RegisterForm):
    """A customer, with people to speak to on lines of their own."""

    class Meta:
        model = Customer
        fields = CUSTOMER_DETAILS
        widgets = {
            "billing_address": forms.Textarea(attrs={"rows": 3}), "note": forms.Textarea(attrs={"rows": 3}),
        }  # fmt: skip


class NewCustomerForm(CustomerForm):
    """A customer with a code."""

    code = forms.CharField(max_length=40, required=False)
    field_order = ("name", "code")


class ContactForm(forms.Form):
    """One person to speak to."""

    name = forms.CharField(label=_("Name"), required=False, max_length=120)
    task = forms.CharField(label=_("What for"), required=False, max_length=80)
    phone = forms.CharField(label=_("Telephone"), required=False, max_length=40)
    email = forms.EmailField(label=_("E-mail"), required=False)


ContactForms = forms.formset_factory(ContactForm, extra=2, max_num=20)


class SiteForm(RegisterForm):
    """A site."""

    class Meta:
        model = Site
        fields = (
            "name", "address", "area", "supply", "branch", "access_note", "kind", "latitude", "longitude",
            "time_zone",
        )  # fmt: skip

    def __init__(self, data: Any = None, *, branch_id: int | None = None, **given: Any) -> None:
        super().__init__(data, **given)
        if "branch" in self.fields:
            branches = Branch.objects.order_by("name")
            self.fields["branch"].queryset = branches.filter(pk=branch_id) if branch_id else branches
            self.fields["branch"].empty_label = None
        self.fields["time_zone"].required = False
        self.fields["time_zone"].help_text = _("Left empty: the depot's.")


class NewSiteForm(SiteForm):
    """A site with a code."""

    code = forms.CharField(max_length=40, required=False)
    field_order = ("name", "code")


class SupplyForm(RegisterForm):
    """A water supply."""

    class Meta:
        model = WaterSupply
        fields = SUPPLY_DETAILS

    def __init__(self, data: Any = None, **given: Any) -> None:
        super().__init__(data, **given)
        self.fields["kind"].help_text = ""


class UnitForm(RegisterForm):
    """A treatment unit that is there."""

    class Meta:
        model = TreatmentUnit
        fields = (
            "label", "commissioned_on", "design_use_gal_per_day", "design_permeate_gpm", "design_recovery",
            "idle_limit_days", "mains_voltage", *MakeUp.names(),
            "promised_conductivity_us_cm", "is_out_of_service",
            "out_of_service_reason", "note",
        )  # fmt: skip
        widgets = {"commissioned_on": DayInput(), "note": forms.Textarea(attrs={"rows": 3})}


class NewUnitForm(RegisterForm):
    """A treatment unit that comes to a site."""

    is_running = forms.BooleanField(
        label=_("It is running already"), required=False,
        help_text=_("Not ticked: it waits to be commissioned."),
    )  # fmt: skip

    class Meta:
        model = TreatmentUnit
        fields = (
            "serial", "unit_model", "label", "commissioned_on", "design_use_gal_per_day",
            "design_permeate_gpm",
        )  # fmt: skip
        widgets = {"commissioned_on": DayInput()}

    field_order = ("serial", "unit_model", "label", "is_running", "commissioned_on")

    def __init__(self, data: Any = None, **given: Any) -> None:
        super().__init__(data, **given)
        self.fields["unit_model"].queryset = UnitModel.objects.all()
        for name in ("design_use_gal_per_day", "design_permeate_gpm"):
            self.fields[name].required = False
            self.fields[name].help_text = _("Left empty: the model's.")

    def clean(self) -> dict[str, Any]:
        """A unit that runs says since when."""
        data = super().clean()
        if data.get("is_running") and not data.get("commissioned_on"):
            self.add_error("commissioned_on", gettext("Say since when it runs, as near as you know."))
        if not data.get("is_running"):
            data["commissioned_on"] = None
        return data


class DayForm(forms.Form):
    """A day on which something is so."""

    on = forms.DateField(label=_("Day"), widget=DayInput())


class FromForm(forms.Form):
    """A day from which something is so."""

    from_on = forms.DateField(label=_("From"), widget=DayInput())


class RetireForm(DayForm):
    """When and why a unit ends."""

    because = forms.CharField(label=_("Why"), max_length=160)


class SwapForm(DayForm):
    """The machine that comes in a unit's place."""

    serial = forms.CharField(label=_("Serial of the new unit"), max_length=60)
    because = forms.CharField(label=_("Why"), max_length=160, required=False)
    with_parts = forms.BooleanField(
        label=_("It comes with new parts of the same kinds"), required=False, initial=True
    )
    field_order = ("serial", "on", "because", "with_parts")


class SiteChoiceField(forms.ModelChoiceField):
    """A site by its code or name, typed or picked from what the browser offers."""

    widget = forms.TextInput(attrs={"list": "offered"})

    def __init__(self, **given: Any) -> None:
        super().__init__(Site.objects.none(), to_field_name="code", **given)

    def to_python(self, value: Any) -> Site | None:
        """Find the one open site that is meant. Raises ValidationError for none or several."""
        return _the_one(self.queryset, value)

    def label_from_instance(self, obj: Site) -> str:
        """Return name and code."""
        return f"{obj.name} ({obj.code})"


class CustomerChoiceField(forms.ModelChoiceField):
    """A customer by code or name, typed or picked."""

    widget = forms.TextInput(attrs={"list": "offered"})

    def __init__(self, **given: Any) -> None:
        super().__init__(Customer.objects.none(), to_field_name="code", **given)

    def to_python(self, value: Any) -> Customer | None:
        """Find the one customer that is meant. Raises ValidationError for none or several."""
        return _the_one(self.queryset, value)


def _the_one(found: QuerySet, value: Any) -> Any:
    text = str(value or "").strip()
    if not text:
        return None
    code = text.rpartition("(")[2].rstrip(")").strip() if text.endswith(")") else text
    exact = found.filter(Q(code__iexact=code) | Q(name__iexact=text))[:2]
    some = list(exact) or list(found.filter(name__icontains=text)[:2])
    if len(some) == 1:
        return some[0]
    if some:
        raise forms.ValidationError(
            gettext("Several are called %(text)s. Give the code of the one you mean.") % {"text": repr(text)}
        )
    raise forms.ValidationError(
        gettext("There is none called %(text)s that you may choose. Give its code or its whole name.")
        % {"text": repr(text)}
    )


class MoveForm(DayForm):
    """Where a unit goes."""

    to = SiteChoiceField(label=_("To which site"), help_text=_("Its code or name."))
    seen_site = forms.IntegerField(widget=forms.HiddenInput)
    field_order = ("to", "on")

    def __init__(self, *args: Any, sites: QuerySet[Site], **given: Any) -> None:
        super().__init__(*args, **given)
        self.fields["to"].queryset = sites


class TakeOverForm(FromForm):
    """Whose a site becomes."""

    customer = CustomerChoiceField(label=_("Which customer"), help_text=_("Code or name."))
    plans_go_on = forms.BooleanField(
        label=_("Its service plans go on for the new customer"), required=False, initial=True,
        help_text=_("Not ticked: they end on that day."),
    )  # fmt: skip
    seen_customer = forms.IntegerField(widget=forms.HiddenInput)
    field_order = ("customer", "from_on", "plans_go_on")

    def __init__(self, *args: Any, customers: QuerySet[Customer], **given: Any) -> None:
        super().__init__(*args, **given)
        self.fields["customer"].queryset = customers


class MergeForm(forms.Form):
    """Which customer stays."""

    into = CustomerChoiceField(
        label=_("The customer that stays"), help_text=_("Code or name; this one goes up in it.")
    )

    def __init__(self, *args: Any, customers: QuerySet[Customer], **given: Any) -> None:
        super().__init__(*args, **given)
        self.fields["into"].queryset = customers


class PartForm(forms.Form):
    """A part put in, taken out, or both at one moment."""

    kind = KindField(
        PartKind.objects.all(), label=_("Part that goes in"), required=False, empty_label=_("None")
    )
    serial = forms.CharField(label=_("Serial"), required=False, max_length=60)
    lot = forms.CharField(label=_("Lot"), required=False, max_length=60)
    made_on = forms.DateField(label=_("Made on"), required=False, widget=DayInput())
    reason = forms.ChoiceField(label=_("Why the old one comes out"), choices=RemovalReason.choices)
    at = forms.DateTimeField(
        label=_("When"),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )

    def __init__(self, *args: Any, has_part: bool, **given: Any) -> None:
        super().__init__(*args, **given)
        if not has_part:
            self.fields.pop("reason")
            self.fields["kind"].required = True


class PartKindForm(RegisterForm):
    """A line of the catalogue."""

    class Meta:
        model = PartKind
        fields = KIND_DETAILS


class NewPartKindForm(PartKindForm):
    """A line of the catalogue with its code."""

    code = forms.CharField(max_length=40)
    field_order = ("code", "name")

    def __init__(self, data: Any = None, **given: Any) -> None:
        super().__init__(data, **given)
        self.fields["code"].help_text = _("Your article number.")


class UnitModelForm(RegisterForm):
    """A model of treatment units."""

    class Meta:
        model = UnitModel
        fields = MODEL_DETAILS


class NewUnitModelForm(UnitModelForm):
    """A model with its code."""

    code = forms.CharField(max_length=40)
    field_order = ("code", "name")

    def __init__(self, data: Any = None, **given: Any) -> None:
        super().__init__(data, **given)
        self.fields["code"].help_text = ""


class ModelNameForm(forms.Form):
    """What a model made from a unit is called."""

    code = forms.CharField(label=_("Code"), max_length=40)
    name = forms.CharField(label=_("Name"), max_length=160)


class PositionForm(forms.Form):
    """One position of a model or a unit."""

    code = forms.SlugField(label=_("Position"), required=False, max_length=40)
    water = forms.ChoiceField(label=_("Water"), choices=PositionWater.choices)
    usual_kind = KindField(PartKind.objects.all(), label=_("Usual part"), required=False)


PositionForms = forms.formset_factory(PositionForm, extra=3, max_num=40)


def positions_of(formset: forms.BaseFormSet) -> list[Mapping[str, Any]]:
    """Return the positions that were named, in their order."""
    return [form.cleaned_data for form in formset if form.cleaned_data.get("code")]
