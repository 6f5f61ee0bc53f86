"""What people may ask of the pages of this room, checked before anything is read or written.

What people may ask of the pages around a plan: re-plans, promises, driving times, prices.
"""

from datetime import date, timedelta

from django import forms
from django.utils.translation import gettext, gettext_lazy

from fleet.models import Branch, Site
from scheduling.crew.forms import ClockInput
from scheduling.models import PlanPriceList, Technician
from scheduling.pages.forms import DayInput


class PlanForm(forms.Form):
    """What to plan."""

    first_on = forms.DateField(label=gettext_lazy("First day"), widget=DayInput())
    days = forms.IntegerField(label=gettext_lazy("Days"), min_value=1, max_value=14, initial=5)
    seconds = forms.IntegerField(
        label=gettext_lazy("Time limit (seconds)"), min_value=1, max_value=600, initial=20,
        help_text=gettext_lazy("20 is enough for a few hundred orders."),
    )  # fmt: skip
    branch = forms.ModelChoiceField(
        label=gettext_lazy("Branch"),
        queryset=Branch.objects.none(),
        required=False,
        empty_label=gettext_lazy("All branches"),
    )

    def __init__(self, *args, branch_id: int | None = None, today: date | None = None, **kwargs):
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["branch"].queryset = (
            Branch.objects.filter(pk=branch_id) if branch_id else Branch.objects.all()
        )
        if branch_id:
            self.fields["branch"].empty_label = None
            self.fields["branch"].required = True
            self.fields["branch"].initial = branch_id
        if today:
            self.fields["first_on"].initial = today + timedelta(days=7 - today.weekday())

    def clean_first_on(self) -> date:
        """Plan from today on, at most a year ahead."""
        first = self.cleaned_data["first_on"]
        if self.today and first < self.today:
            raise forms.ValidationError(
                gettext("%(first)s has passed. Plan from %(today)s on.")
                % {"first": first, "today": self.today}
            )
        if self.today and first > self.today + timedelta(days=366):
            raise forms.ValidationError(
                gettext("%(first)s is more than a year ahead. Choose a nearer day.") % {"first": first}
            )
        return first


class ReplanForm(forms.Form):
    """Who is absent, or what is urgent."""

    branch = forms.ModelChoiceField(
        label=gettext_lazy("Branch"), queryset=Branch.objects.none(), empty_label=None
    )
    technician = forms.ModelChoiceField(
        label=gettext_lazy("Technician"),
        queryset=Technician.objects.none(),
        required=False,
        empty_label=gettext_lazy("Nobody: urgent work only"),
    )
    first_on = forms.DateField(label=gettext_lazy("First day away"), required=False, widget=DayInput())
    last_on = forms.DateField(
        label=gettext_lazy("Last day away"),
        required=False,
        widget=DayInput(),
        help_text=gettext_lazy("Empty: one day only."),
    )
    reason = forms.CharField(
        label=gettext_lazy("Reason"),
        required=False,
        max_length=80,
        help_text=gettext_lazy("For the absence list; no medical detail."),
    )
    urgent = forms.CharField(
        label=gettext_lazy("Urgent orders"),
        required=False,
        max_length=400,
        help_text=gettext_lazy("Numbers such as W000012, W000013."),
    )
    seconds = forms.IntegerField(
        label=gettext_lazy("Time limit (seconds)"), min_value=1, max_value=120, initial=10
    )

    def __init__(self, *args, branch_id: int | None = None, **kwargs):
        super().__init__(*args, **kwargs)
        branches = Branch.objects.filter(technicians__is_active=True).distinct()
        people = Technician.objects.filter(is_active=True)
        if branch_id:
            branches, people = branches.filter(pk=branch_id), people.filter(branch_id=branch_id)
        self.fields["branch"].queryset = branches
        self.fields["technician"].queryset = people.select_related("branch")

    def clean(self) -> dict:
        """One day away needs no last day; somebody away needs a first one."""
        data = super().clean()
        if data.get("technician") and not data.get("first_on") and "first_on" not in self.errors:
            self.add_error("first_on", gettext("Say from which day on."))
        if data.get("first_on") and not data.get("last_on"):
            data["last_on"] = data["first_on"]
        return data


class PromiseForm(forms.Form):
    """The day a customer was promised, and the hours in which work begins."""

    day = forms.DateField(
        label=gettext_lazy("Promised day"),
        required=False,
        widget=DayInput(),
        help_text=gettext_lazy("Empty takes the promise back."),
    )
    begins = forms.TimeField(label=gettext_lazy("Work begins from"), required=False, widget=ClockInput())
    ends = forms.TimeField(
        label=gettext_lazy("Work begins by"),
        required=False,
        widget=ClockInput(),
        help_text=gettext_lazy("By the site's clock. Both empty: any hour of the day."),
    )

    def clean(self) -> dict:
        """Hours come in twos, and with their day."""
        data = super().clean()
        begins, ends = data.get("begins"), data.get("ends")
        if bool(begins) != bool(ends):
            self.add_error("ends" if begins else "begins", gettext("Fill in both hours, or none."))
        elif begins and not data.get("day") and "day" not in self.errors:
            self.add_error("day", gettext("Hours need their day."))
        data["hours"] = (begins, ends) if begins and ends else None
        return data


class CorrectionForm(forms.Form):
    """How long the drive between two sites really takes."""

    site_a = forms.CharField(
        label=gettext_lazy("From site"), max_length=60, help_text=gettext_lazy("Its code, as on its page.")
    )
    site_b = forms.CharField(
        label=gettext_lazy("To site"), max_length=60, help_text=gettext_lazy("It counts in both directions.")
    )
    minutes = forms.IntegerField(label=gettext_lazy("Minutes of driving"), min_value=0, max_value=1440)
    because = forms.CharField(label=gettext_lazy("Because"), required=False, max_length=160)

    def __init__(self, *args, branch_id: int | None = None, **kwargs):
        super().__init__(*args, **kwargs)
        self.branch_id = branch_id

    def clean_site_a(self) -> Site:
        """Find the first site."""
        return self._site("site_a")

    def clean_site_b(self) -> Site:
        """Find the second site."""
        return self._site("site_b")

    def _site(self, name: str) -> Site:
        code = self.cleaned_data[name].strip()
        sites = Site.objects.filter(code__iexact=code)
        found = (sites.filter(branch_id=self.branch_id) if self.branch_id else sites).first()
        if found is None:
            raise forms.ValidationError(
                gettext("There is no site %(code)s. Look its code up in the fleet list.")
                % {"code": f"{code!r}"}
            )
        return found


class PricesForm(forms.ModelForm):
    """The planner's prices, each in minutes of driving one would give up for it."""

    class Meta:
        model = PlanPriceList
        fields = (
            "from_on", "late_day_minutes", "waiting_week_minutes", "missed_minutes", "missed_per_day_minutes",
            "carry_over_most_minutes", "carry_over_least_minutes", "carry_over_days", "site_visit_minutes",
            "disturbance_minutes", "other_technician_minutes", "overtime_allowed_minutes",
            "overtime_per_minute", "fairness_per_minute", "lunch_earliest", "lunch_latest",
        )  # fmt: skip
        labels = {
            "from_on": gettext_lazy("Counts from"),
            "late_day_minutes": gettext_lazy("One day late"),
            "waiting_week_minutes": gettext_lazy("A week past best by"),
            "missed_minutes": gettext_lazy("Not scheduled although due"),
            "missed_per_day_minutes": gettext_lazy("… and for each day it is late"),
            "carry_over_most_minutes": gettext_lazy("Not scheduled, due soon after"),
            "carry_over_least_minutes": gettext_lazy("Not scheduled, due long after"),
            "carry_over_days": gettext_lazy("Long after means"),
            "site_visit_minutes": gettext_lazy("Arriving at a site"),
            "disturbance_minutes": gettext_lazy("Disturbing a customer"),
            "other_technician_minutes": gettext_lazy("Sending somebody else"),
            "overtime_allowed_minutes": gettext_lazy("Overtime allowed in a day"),
            "overtime_per_minute": gettext_lazy("A minute of overtime"),
            "fairness_per_minute": gettext_lazy("A minute longer than the fair share"),
            "lunch_earliest": gettext_lazy("Lunch begins no earlier than"),
            "lunch_latest": gettext_lazy("Lunch begins no later than"),
        }
        help_texts = {
            "from_on": gettext_lazy("Plans that begin on or after this day use these prices."),
            "late_day_minutes": gettext_lazy(
                "Minutes we would drive to avoid being one day late with an ordinary order. Work of "
                "greater risk counts more."
            ),
            "missed_minutes": gettext_lazy(
                "Minutes we would drive rather than leave a due order out of the plan."
            ),
            "missed_per_day_minutes": gettext_lazy("Minutes on top, for each day it is past its limit."),
            "waiting_week_minutes": gettext_lazy(
                "Minutes we would drive to save each begun week between best by and the limit."
            ),
            "disturbance_minutes": gettext_lazy(
                "Minutes we would drive to spare a customer one more visit. They take no time in the plan."
            ),
            "carry_over_most_minutes": gettext_lazy(
                "Minutes we would drive to do work now that falls due right after."
            ),
            "carry_over_least_minutes": gettext_lazy(
                "Minutes we would drive to do work now that can wait long."
            ),
            "carry_over_days": gettext_lazy("Days past the plan's end."),
            "site_visit_minutes": gettext_lazy(
                "Minutes for parking, walking in and signing in, once per arrival. They are time in "
                "the plan as well, and group work at one site."
            ),
            "other_technician_minutes": gettext_lazy(
                "Minutes we would drive to send the technician the customer knows, or the one who "
                "made the first of two visits."
            ),
            "overtime_allowed_minutes": gettext_lazy("Minutes past the shift that a day may last. 0: none."),
            "overtime_per_minute": gettext_lazy(
                "Minutes of driving that one minute past the shift is worth."
            ),
            "fairness_per_minute": gettext_lazy(
                "Minutes of driving that evening the days out is worth. 0: not at all."
            ),
        }
        widgets = {
            "from_on": DayInput(),
            "lunch_earliest": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            "lunch_latest": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        }

    def validate_unique(self) -> None:
        """A second change for the same day replaces the first."""


def day_asked(text: str) -> date | None:
    """Return a day from an address; None for nonsense."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
