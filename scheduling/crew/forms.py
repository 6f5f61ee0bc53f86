"""What people enter of technicians, their absences and working week, closures, and the calendar."""

from typing import Any

from django import forms
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext_lazy as _

from fleet.models import Branch, Person, PersonRole
from fleet.register.gazetteer import spot_of
from scheduling.models import Skill, Technician
from scheduling.pages.forms import DayInput


class ClockInput(forms.TimeInput):
    """A time of day by the browser's own picker."""

    input_type = "time"

    def __init__(self):
        super().__init__(format="%H:%M")


class AbsenceForm(forms.Form):
    """When a technician is away."""

    first_on = forms.DateField(label=_("First day away"), widget=DayInput())
    last_on = forms.DateField(
        label=_("Last day away"), required=False, widget=DayInput(), help_text=_("Empty: one day only.")
    )
    starts_at = forms.TimeField(
        label=_("From"), required=False, widget=ClockInput(), help_text=_("Empty: all day.")
    )
    ends_at = forms.TimeField(label=_("To"), required=False, widget=ClockInput())
    repeats_until = forms.DateField(
        label=_("Every week until"), required=False, widget=DayInput(), help_text=_("Empty: once.")
    )
    reason = forms.CharField(
        label=_("Reason"),
        required=False,
        max_length=80,
        help_text=_("For the absence list; no medical detail."),
    )

    def clean(self) -> dict[str, Any]:
        """One day away needs no last day."""
        data = super().clean()
        data["last_on"] = data.get("last_on") or data.get("first_on")
        return data


class ClosureForm(forms.Form):
    """When nobody is let in at a site."""

    first_on = forms.DateField(label=_("First day closed"), widget=DayInput())
    last_on = forms.DateField(label=_("Last day closed"), widget=DayInput())
    reason = forms.CharField(label=_("Reason"), required=False, max_length=80)


class WeekForm(forms.Form):
    """The days and hours of a working week."""

    weekdays = forms.TypedMultipleChoiceField(
        label=_("Days"),
        coerce=int,
        choices=list(WEEKDAYS.items()),
        initial=[0, 1, 2, 3, 4],
        widget=forms.CheckboxSelectMultiple,
    )
    starts_at = forms.TimeField(label=_("Shift starts"), initial="08:00", widget=ClockInput())
    ends_at = forms.TimeField(label=_("Shift ends"), initial="16:30", widget=ClockInput())
    lunch_minutes = forms.IntegerField(label=_("Lunch, minutes"), initial=30, min_value=0, max_value=240)


class PatternForm(WeekForm):
    """A working week from a day on."""

    from_on = forms.DateField(label=_("From"), widget=DayInput())
    field_order = ("from_on",)


class _LogInChoice(forms.ModelChoiceField):
    def label_from_instance(self, obj: Person) -> str:
        return f"{obj} ({obj.username})"


class DetailsForm(forms.Form):
    """Who a technician is, where the day begins, what they may do and cost."""

    name = forms.CharField(label=_("Name"), max_length=120)
    start_latitude = forms.FloatField(
        label=_("Start, degrees north"), min_value=-90, max_value=90, required=False
    )
    start_longitude = forms.FloatField(
        label=_("Start, degrees east"), min_value=-180, max_value=180, required=False
    )
    starts_in = forms.CharField(
        label=_("Or starts in"), max_length=200, required=False,
        help_text=_("Town or postal code; it takes the place of the degrees."),
    )  # fmt: skip
    skills = forms.ModelMultipleChoiceField(
        Skill.objects.all(), label=_("Skills"), required=False, widget=forms.CheckboxSelectMultiple
    )
    person = _LogInChoice(
        Person.objects.none(), label=_("Log-in"), required=False, empty_label=_("None: no phone")
    )
    cost_per_hour = forms.DecimalField(
        label=_("Cost per hour"), required=False, min_value=0, max_digits=8, decimal_places=2
    )

    def __init__(self, *args, branch_id: int | None, of: Technician | None = None, sees_cost: bool, **kwargs):
        super().__init__(*args, **kwargs)
        self.of = of
        free = Person.objects.filter(is_active=True, role=PersonRole.TECHNICIAN, technician=None)
        if branch_id:
            free = free.filter(branch_id=branch_id) | free.filter(branch=None)
        if of is not None and of.person_id:
            free = free | Person.objects.filter(pk=of.person_id)
        self.fields["person"].queryset = free.order_by("username")
        if not sees_cost:
            del self.fields["cost_per_hour"]
        if not Skill.objects.exists():
            del self.fields["skills"]

    def clean(self) -> dict:
        """A town takes the place of degrees; somebody who is here starts somewhere."""
        data = super().clean()
        town = data.pop("starts_in", "")
        branch = self.of.branch if self.of else data.get("branch")
        if town:
            spot = spot_of(
                f" {town}", near=branch and branch.latitude and (branch.latitude, branch.longitude)
            )
            if spot is None:
                self.add_error(
                    "starts_in", _("No town or postal code of this name is known. Give the degrees.")
                )
            else:
                data["start_latitude"], data["start_longitude"] = spot.latitude, spot.longitude
        for name in ("start_latitude", "start_longitude"):
            if self.of and data.get(name) is None and name not in self.errors and not self.errors:
                self.add_error(name, _("Give both degrees, or a town."))
        return data

    def clean_cost_per_hour(self):
        """Nothing entered costs nothing."""
        return self.cleaned_data["cost_per_hour"] or 0


class NewcomerForm(DetailsForm, WeekForm):
    """A technician who comes."""

    branch = forms.ModelChoiceField(Branch.objects.none(), label=_("Branch"), empty_label=None)
    works_from = forms.DateField(label=_("First day of work"), widget=DayInput())
    with_van = forms.BooleanField(label=_("Has a van; parts are counted on it"), required=False, initial=True)
    field_order = (
        "name", "branch", "works_from", "with_van", "weekdays", "starts_at", "ends_at", "lunch_minutes",
        "starts_in", "start_latitude", "start_longitude", "person", "skills", "cost_per_hour",
    )  # fmt: skip

    def __init__(self, *args, branch_id: int | None, **kwargs):
        super().__init__(*args, branch_id=branch_id, **kwargs)
        rows = Branch.objects.order_by("name")
        self.fields["branch"].queryset = rows.filter(pk=branch_id) if branch_id else rows
        for name in ("start_latitude", "start_longitude"):
            self.fields[name].help_text = _("Empty: the branch's own place.")


class LeavingForm(forms.Form):
    """The last day of a technician."""

    last_on = forms.DateField(label=_("Last day of work"), widget=DayInput())


class RegionForm(forms.Form):
    """Whose public holidays count."""

    branch = forms.ModelChoiceField(
        Branch.objects.none(), label=_("For"), required=False, empty_label=_("The whole company")
    )
    country = forms.CharField(
        label=_("Country"), max_length=2, required=False, help_text=_("Two letters, such as US; empty: none.")
    )
    subdivision = forms.CharField(
        label=_("State or province"), max_length=10, required=False, help_text=_("Its code, such as TX.")
    )

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["branch"].queryset = Branch.objects.order_by("name")


class DayForm(forms.Form):
    """A day that differs from the calendar."""

    branch = forms.ModelChoiceField(Branch.objects.none(), label=_("Branch"), empty_label=None)
    day = forms.DateField(label=_("Day"), widget=DayInput())
    is_worked = forms.TypedChoiceField(
        label=_("On this day"),
        choices=[
            ("no", _("nobody works")),
            ("yes", _("we work though it is a holiday")),
            ("", _("as in the calendar")),
        ],
        coerce=lambda text: {"yes": True, "no": False}.get(text),
        empty_value=None,
        required=False,
    )  # fmt: skip
    reason = forms.CharField(label=_("Reason"), required=False, max_length=80)

    def __init__(self, *args, branch_id: int | None, **kwargs):
        super().__init__(*args, **kwargs)
        rows = Branch.objects.order_by("name")
        self.fields["branch"].queryset = rows.filter(pk=branch_id) if branch_id else rows
