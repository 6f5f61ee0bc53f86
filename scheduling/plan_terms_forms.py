"""What the owner may change of a plan and of taxes, each from a day on."""

from django import forms

from scheduling.forms import DayInput


class PriceForm(forms.Form):
    """A new price."""

    amount = forms.DecimalField(
        label="Price per interval, before tax", min_value=0, max_digits=10, decimal_places=2
    )
    from_on = forms.DateField(label="From", widget=DayInput())


class PeriodForm(forms.Form):
    """Days on which a plan earns less."""

    percent_off = forms.DecimalField(
        label="Percent off", min_value=0, max_value=100, max_digits=5, decimal_places=2,
        help_text="100 is a pause: the plan rests and earns nothing.",
    )  # fmt: skip
    from_on = forms.DateField(label="From", widget=DayInput())
    to_on = forms.DateField(label="First day after it", required=False, widget=DayInput())
    why = forms.CharField(max_length=160)


class TermsForm(forms.Form):
    """What the yearly rise and the included visits become."""

    from_on = forms.DateField(label="From", widget=DayInput())
    escalator_percent = forms.DecimalField(
        label="Rises by percent a year", min_value=0, max_value=100, max_digits=5, decimal_places=2
    )
    included_visits_per_year = forms.IntegerField(
        label="Visits a year in the price", required=False, min_value=0, max_value=366
    )  # fmt: skip


class TaxRateForm(forms.Form):
    """A tax, or a new rate of one."""

    code = forms.CharField(label="Short name", max_length=40)
    name = forms.CharField(label="Name on the invoice", max_length=80)
    percent = forms.DecimalField(min_value=0, max_value=100, max_digits=6, decimal_places=3)
    from_on = forms.DateField(label="From", widget=DayInput())
    area = forms.CharField(label="Only in area", required=False, max_length=80)
    falls_on_plans = forms.BooleanField(label="On plans", required=False, initial=True)
    falls_on_work = forms.BooleanField(label="On work outside plans", required=False, initial=True)
    falls_on_parts = forms.BooleanField(label="On parts outside plans", required=False, initial=True)


class EndForm(forms.Form):
    """The end of a discount or pause."""

    period = forms.IntegerField(min_value=1)
    to_on = forms.DateField(widget=DayInput())
