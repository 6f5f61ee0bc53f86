"""What the owner may change of a plan: a price from a day on, a discount, a pause, the end of either."""

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


class EndForm(forms.Form):
    """The end of a discount or pause."""

    period = forms.IntegerField(min_value=1)
    to_on = forms.DateField(widget=DayInput())
