"""What people may ask of the pages of this room, checked before anything is read or written.

What the owner may change of a plan and of taxes, each from a day on.
"""

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from scheduling.billing.review import SORTS as REVIEW_SORTS
from scheduling.billing.review import ReviewChoice
from scheduling.models import EntryKind
from scheduling.pages.forms import ANY, DayInput, MonthInput, month_of
from shared.periods import month_start


class ReviewFilterForm(forms.Form):
    """Which month and which sites the owner looks at."""

    month = forms.CharField(label=gettext_lazy("Month"), required=False, max_length=7, widget=MonthInput())
    words = forms.CharField(
        label=gettext_lazy("Search"), required=False, max_length=80,
        widget=forms.TextInput(attrs={"type": "search", "placeholder": gettext_lazy("Site or customer")}),
    )  # fmt: skip
    at_risk = forms.BooleanField(label=gettext_lazy("At risk only"), required=False)

    def choice(self, *, today: date, sort: str, branch_id: int | None) -> ReviewChoice:
        """Return the choice; an unreadable month is this month."""
        self.is_valid()
        data = self.cleaned_data
        return ReviewChoice(
            month=month_of(data.get("month") or "") or month_start(today),
            words=data.get("words") or "",
            only_at_risk=bool(data.get("at_risk")),
            sort=sort if sort.removeprefix("-") in REVIEW_SORTS else "-recurring",
            branch_id=branch_id,
        )


class EntryFilterForm(forms.Form):
    """Which entries stand behind a number."""

    since = forms.CharField(
        label=gettext_lazy("From month"), required=False, max_length=7, widget=MonthInput()
    )
    month = forms.CharField(
        label=gettext_lazy("Month, or last month"), required=False, max_length=7, widget=MonthInput()
    )
    site = forms.CharField(label=gettext_lazy("Site code"), required=False, max_length=40)
    kind = forms.ChoiceField(label=gettext_lazy("Kind"), choices=[*ANY, *EntryKind.choices], required=False)

    def asked(self) -> dict[str, Any]:
        """Return what to look for, as the query takes it."""
        self.is_valid()
        data = self.cleaned_data
        return {
            "since": month_of(data.get("since") or ""),
            "month": month_of(data.get("month") or ""),
            "site_code": data.get("site") or "",
            "kind": data.get("kind") or "",
        }


class TaxRateForm(forms.Form):
    """A tax, or a new rate of one."""

    code = forms.CharField(label=gettext_lazy("Short name"), max_length=40)
    name = forms.CharField(label=gettext_lazy("Name on the invoice"), max_length=80)
    percent = forms.DecimalField(
        label=gettext_lazy("Percent"), min_value=0, max_value=100, max_digits=6, decimal_places=3
    )
    from_on = forms.DateField(label=gettext_lazy("From"), widget=DayInput())
    area = forms.CharField(label=gettext_lazy("Only in area"), required=False, max_length=80)
    falls_on_plans = forms.BooleanField(label=gettext_lazy("On plans"), required=False, initial=True)
    falls_on_work = forms.BooleanField(
        label=gettext_lazy("On work outside plans"), required=False, initial=True
    )
    falls_on_parts = forms.BooleanField(
        label=gettext_lazy("On parts outside plans"), required=False, initial=True
    )
