"""What people may ask of the pages of this room, checked before anything is read or written."""

from typing import Any

from django import forms
from django.utils.translation import gettext, gettext_lazy

from fleet.models import TreatmentUnit
from scheduling.models import STANDING_STATES, OrderKind, OrderState, Skill
from scheduling.orders.selectors import SORTS, OrderChoice
from scheduling.pages.forms import ANY, DayInput

STATE_CHOICES = [("", gettext_lazy("Still to be done")), ("any", gettext_lazy("Any")), *OrderState.choices]


class OrderFilterForm(forms.Form):
    """Which orders a list shows."""

    words = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=80,
        widget=forms.TextInput(
            attrs={"type": "search", "placeholder": gettext_lazy("Number, serial, site, customer")}
        ),
    )
    kind = forms.ChoiceField(label=gettext_lazy("Kind"), choices=[*ANY, *OrderKind.choices], required=False)
    state = forms.ChoiceField(label=gettext_lazy("State"), choices=STATE_CHOICES, required=False)
    area = forms.ChoiceField(label=gettext_lazy("Area"), choices=ANY, required=False)
    window_from = forms.DateField(label=gettext_lazy("Due from"), required=False, widget=DayInput())
    window_to = forms.DateField(label=gettext_lazy("Due until"), required=False, widget=DayInput())
    late = forms.BooleanField(label=gettext_lazy("Late only"), required=False)

    def __init__(self, *args, areas: list[str] = (), **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["area"].choices = [*ANY, *((area, area) for area in areas)]

    def choice(self, *, sort: str, branch_id: int | None) -> OrderChoice:
        """Return the choice; a field that makes no sense counts as not filled in."""
        self.is_valid()
        data = self.cleaned_data
        state = data.get("state") or ""
        states = {"": tuple(STANDING_STATES), "any": ()}.get(state, (state,))
        return OrderChoice(
            kinds=(data["kind"],) if data.get("kind") else (),
            states=states,
            area=data.get("area") or "",
            is_late=bool(data.get("late")),
            window_from=data.get("window_from"),
            window_to=data.get("window_to"),
            words=data.get("words") or "",
            sort=sort if sort in SORTS else "due",
            branch_id=branch_id,
        )


class WithdrawForm(forms.Form):
    """Why an order is not to be done."""

    reason = forms.CharField(
        max_length=160,
        label=gettext_lazy("Why it is withdrawn"),
        help_text=gettext_lazy("Kept in the order's history and shown to whoever asks."),
        error_messages={"required": gettext_lazy("Say why the order is withdrawn; the history keeps it.")},
    )


class OneOffForm(forms.Form):
    """Work nobody's finding asked for. The client id makes a second press harmless."""

    client_id = forms.UUIDField(widget=forms.HiddenInput)
    serial = forms.CharField(
        label=gettext_lazy("Treatment unit"),
        max_length=60,
        help_text=gettext_lazy("Its serial, as on its label."),
    )
    why = forms.CharField(
        label=gettext_lazy("What is to be done, and why"), widget=forms.Textarea(attrs={"rows": 3})
    )
    window_from = forms.DateField(label=gettext_lazy("Not before"), widget=DayInput())
    window_to = forms.DateField(label=gettext_lazy("Not after"), widget=DayInput())
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes on site"), min_value=5, max_value=720, initial=45
    )
    skills = forms.ModelMultipleChoiceField(
        label=gettext_lazy("Skills"),
        queryset=Skill.objects.all(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, *args, branch_id: int | None = None, **kwargs):
        super().__init__(*args, **kwargs)
        self.branch_id = branch_id

    def clean_serial(self) -> TreatmentUnit:
        """Find the treatment unit by its serial."""
        serial = self.cleaned_data["serial"].strip()
        units = TreatmentUnit.objects.filter(serial__iexact=serial)
        if self.branch_id:
            units = units.filter(site__branch_id=self.branch_id)
        found = units.first()
        if found is None:
            raise forms.ValidationError(
                gettext("There is no treatment unit %(serial)s. Look its serial up in the fleet list.")
                % {"serial": f"{serial!r}"}
            )
        return found

    def clean(self) -> dict[str, Any]:
        """Hold the window in order."""
        data = super().clean()
        first, last = data.get("window_from"), data.get("window_to")
        if first and last and last < first:
            self.add_error(
                "window_to",
                gettext("%(last)s is before %(first)s. Choose that day or a later one.")
                % {"last": last, "first": first},
            )
        return data
