"""What the owner may change of a plan and of taxes, each from a day on."""

from decimal import Decimal

from django import forms
from django.db.models import Q, QuerySet
from django.utils.translation import gettext_lazy

from fleet.models import Site, TreatmentUnit
from scheduling.models import PlanInterval, ServicePlan
from scheduling.pages.forms import ANY, DayInput


class PriceForm(forms.Form):
    """A new price."""

    amount = forms.DecimalField(
        label=gettext_lazy("Price per interval, before tax"), min_value=0, max_digits=10, decimal_places=2
    )
    from_on = forms.DateField(label=gettext_lazy("From"), widget=DayInput())


class PeriodForm(forms.Form):
    """Days on which a plan earns less."""

    percent_off = forms.DecimalField(
        label=gettext_lazy("Percent off"), min_value=0, max_value=100, max_digits=5, decimal_places=2,
        help_text=gettext_lazy("100 is a pause: the plan rests and earns nothing."),
    )  # fmt: skip
    from_on = forms.DateField(label=gettext_lazy("From"), widget=DayInput())
    to_on = forms.DateField(label=gettext_lazy("First day after it"), required=False, widget=DayInput())
    why = forms.CharField(label=gettext_lazy("Why"), max_length=160)


class TermsForm(forms.Form):
    """What the yearly rise and the included visits become."""

    from_on = forms.DateField(label=gettext_lazy("From"), widget=DayInput())
    escalator_percent = forms.DecimalField(
        label=gettext_lazy("Rises by percent a year"),
        min_value=0,
        max_value=100,
        max_digits=5,
        decimal_places=2,
    )
    included_visits_per_year = forms.IntegerField(
        label=gettext_lazy("Visits a year in the price"), required=False, min_value=0, max_value=366
    )  # fmt: skip


class EndForm(forms.Form):
    """The end of a discount or pause."""

    period = forms.IntegerField(min_value=1)
    to_on = forms.DateField(label=gettext_lazy("To on"), widget=DayInput())


class NewPlanForm(forms.Form):
    """A plan that begins."""

    name = forms.CharField(label=gettext_lazy("Name"), max_length=120)
    treatment_unit = forms.ModelChoiceField(
        TreatmentUnit.objects.none(),
        label=gettext_lazy("For"),
        required=False,
        empty_label=gettext_lazy("The whole site"),
    )
    interval = forms.ChoiceField(label=gettext_lazy("Interval"), choices=PlanInterval.choices)
    amount = forms.DecimalField(
        label=gettext_lazy("Price per interval, before tax"), min_value=0, max_digits=10, decimal_places=2
    )
    starts_on = forms.DateField(label=gettext_lazy("First day"), widget=DayInput())
    ends_on = forms.DateField(
        label=gettext_lazy("First day not covered"),
        required=False,
        widget=DayInput(),
        help_text=gettext_lazy("Empty: it goes on."),
    )
    visit_every_months = forms.IntegerField(
        label=gettext_lazy("Months between promised visits"), required=False, min_value=1, max_value=120
    )
    included_visits_per_year = forms.IntegerField(
        label=gettext_lazy("Visits a year in the price"), required=False, min_value=0, max_value=366
    )
    includes_parts = forms.BooleanField(
        label=gettext_lazy("Parts are in the price"), required=False, initial=True
    )
    escalator_percent = forms.DecimalField(
        label=gettext_lazy("Rises by percent a year"),
        required=False,
        min_value=0,
        max_value=100,
        max_digits=5,
        decimal_places=2,
    )
    code = forms.CharField(
        label=gettext_lazy("Number"),
        required=False,
        max_length=40,
        help_text=gettext_lazy("Empty: the next free one."),
    )

    def __init__(self, *args, site: Site, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["treatment_unit"].queryset = TreatmentUnit.objects.filter(site=site).order_by("serial")

    def clean_escalator_percent(self) -> Decimal:
        """Nothing entered is no rise."""
        return self.cleaned_data["escalator_percent"] or Decimal(0)


class PlanEndForm(forms.Form):
    """The end of a plan."""

    last_on = forms.DateField(label=gettext_lazy("Last day covered"), widget=DayInput())
    why = forms.CharField(label=gettext_lazy("Why"), max_length=160, required=False)


class PriceChangeForm(forms.Form):
    """Which plans' prices change, by what, from when."""

    plan_name = forms.ChoiceField(label=gettext_lazy("Plans named"), required=False)
    customer = forms.CharField(
        label=gettext_lazy("Customer"), required=False, max_length=80, help_text=gettext_lazy("Code or name.")
    )
    site = forms.CharField(
        label=gettext_lazy("Site"), required=False, max_length=80, help_text=gettext_lazy("Code or name.")
    )
    interval = forms.ChoiceField(
        label=gettext_lazy("Interval"), required=False, choices=[*ANY, *PlanInterval.choices]
    )
    percent = forms.DecimalField(
        label=gettext_lazy("By percent"), required=False, min_value=-100, max_value=100, max_digits=5,
        decimal_places=2, help_text=gettext_lazy("Below zero: cheaper."),
    )  # fmt: skip
    amount = forms.DecimalField(
        label=gettext_lazy("Or by an amount"),
        required=False,
        max_digits=10,
        decimal_places=2,
        help_text=gettext_lazy("Added to the price of each plan's own interval."),
    )
    from_on = forms.DateField(label=gettext_lazy("From"), widget=DayInput())
    new_monthly = forms.DecimalField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args, branch_id: int | None, **kwargs):
        super().__init__(*args, **kwargs)
        self.branch_id = branch_id
        names = self._plans().order_by("name").values_list("name", flat=True).distinct()
        self.fields["plan_name"].choices = [*ANY, *((name, name) for name in names)]

    def _plans(self) -> QuerySet[ServicePlan]:
        rows = ServicePlan.objects.all()
        return rows.filter(site__branch_id=self.branch_id) if self.branch_id else rows

    def plans(self) -> QuerySet[ServicePlan]:
        """Return the chosen plans: those that run on or after the day."""
        data, rows = self.cleaned_data, self._plans()
        rows = rows.filter(Q(ends_on__isnull=True) | Q(ends_on__gt=data["from_on"]))
        if data["plan_name"]:
            rows = rows.filter(name=data["plan_name"])
        if data["interval"]:
            rows = rows.filter(interval=data["interval"])
        for field, path in (("customer", "site__customer"), ("site", "site")):
            if words := data[field].strip():
                rows = rows.filter(
                    Q(**{f"{path}__code__iexact": words}) | Q(**{f"{path}__name__icontains": words})
                )
        return rows

    def chosen(self) -> str:
        """Return which plans were chosen, in words that are kept."""
        data = self.cleaned_data
        told = {name: str(data[name]).strip() for name in ("plan_name", "customer", "site", "interval")}
        return ", ".join(f"{name.replace('_', ' ')}: {text}" for name, text in told.items() if text)
