"""What the owner may change of a plan and of taxes, each from a day on."""

from django import forms
from django.utils.translation import gettext_lazy

from scheduling.pages.forms import DayInput


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
