"""What may be asked of the pages of telemetry and webhooks."""

from typing import Any

from django import forms
from django.utils.translation import gettext, gettext_lazy

from fleet.models import DeadLetterState, DeliveryState, MomentForm, TelemetryMap, WebhookKind
from fleet.telemetry.mapping import QUANTITIES, measures_of, title_of


class MapForm(forms.Form):
    """One mapping. The last rows give a path and a measure for each quantity."""

    name = forms.SlugField(
        label=gettext_lazy("Name"),
        max_length=60,
        help_text=gettext_lazy("Letters, digits and hyphens, e.g. hourly-water."),
    )
    topic = forms.CharField(
        label=gettext_lazy("Topic"),
        max_length=200,
        help_text=gettext_lazy("A whole level may be {serial} or {any}, e.g. sites/{any}/units/{serial}."),
    )
    serial_path = forms.CharField(
        label=gettext_lazy("Path of the serial"), required=False, max_length=120,
        help_text=gettext_lazy("In the payload, if the topic does not carry it, e.g. device.serial."),
    )  # fmt: skip
    moment_path = forms.CharField(
        label=gettext_lazy("Path of the moment"), max_length=120, help_text=gettext_lazy("E.g. read_at.")
    )
    moment_form = forms.ChoiceField(label=gettext_lazy("Form of the moment"), choices=MomentForm.choices)
    rows_path = forms.CharField(
        label=gettext_lazy("Path of the list"), required=False, max_length=120,
        help_text=gettext_lazy("If one message carries several readings, e.g. data.rows."),
    )  # fmt: skip
    is_on = forms.BooleanField(label=gettext_lazy("In use"), required=False, initial=True)

    def __init__(self, *args, current: TelemetryMap | None = None, **kwargs):
        super().__init__(*args, **kwargs)
        known = {entry["quantity"]: entry for entry in current.fields} if current else {}
        for quantity in QUANTITIES:
            entry = known.get(quantity, {})
            self.fields[f"path-{quantity}"] = forms.CharField(
                required=False, max_length=120, initial=entry.get("path", ""),
                label=gettext("Path of %(quantity)s") % {"quantity": gettext(title_of(quantity)).lower()},
            )  # fmt: skip
            self.fields[f"measure-{quantity}"] = forms.ChoiceField(
                choices=[(measure, gettext(measure)) for measure in measures_of(quantity)],
                initial=entry.get("measure"),
                label=gettext("Measure of %(quantity)s") % {"quantity": gettext(title_of(quantity)).lower()},
                required=False,
            )
        if current:
            self.fields["name"].disabled = True
            for name in ("name", "topic", "serial_path", "moment_path", "moment_form", "rows_path", "is_on"):
                self.initial.setdefault(name, getattr(current, name))

    def quantity_rows(self) -> list[tuple[str, Any, Any]]:
        """Return title, path field and measure field of each quantity."""
        return [(title_of(one), self[f"path-{one}"], self[f"measure-{one}"]) for one in QUANTITIES]

    def values(self) -> dict[str, Any]:
        """Return what a mapping's row holds."""
        data = self.cleaned_data
        names = ("topic", "serial_path", "moment_path", "moment_form", "rows_path", "is_on")
        fields = [
            {"quantity": one, "path": data[f"path-{one}"], "measure": data[f"measure-{one}"]}
            for one in QUANTITIES
            if data[f"path-{one}"]
        ]
        return {name: data[name] for name in names} | {"fields": fields}


class LetterFilter(forms.Form):
    """Which refused messages."""

    state = forms.ChoiceField(
        label=gettext_lazy("State"),
        required=False,
        choices=[("", gettext_lazy("Any")), *DeadLetterState.choices],
        initial=DeadLetterState.WAITING,
    )
    words = forms.CharField(
        label=gettext_lazy("Search"), required=False, max_length=80,
        widget=forms.SearchInput(attrs={"placeholder": gettext_lazy("Topic or reason")}),
    )  # fmt: skip


class HeardFilter(forms.Form):
    """Which meters and gauges."""

    words = forms.CharField(
        label=gettext_lazy("Search"), required=False, max_length=80,
        widget=forms.SearchInput(attrs={"placeholder": gettext_lazy("Serial or site")}),
    )  # fmt: skip
    silent = forms.BooleanField(label=gettext_lazy("Silent only"), required=False)


class HookForm(forms.Form):
    """A new webhook."""

    name = forms.CharField(
        label=gettext_lazy("Name"), max_length=80, help_text=gettext_lazy("Which program it is.")
    )
    url = forms.CharField(
        label=gettext_lazy("Address"), max_length=500, help_text=gettext_lazy("Begins with https://"),
        widget=forms.URLInput(attrs={"placeholder": "https://books.example.com/tapward"}),
    )  # fmt: skip
    kinds = forms.MultipleChoiceField(
        label=gettext_lazy("Events it receives"),
        choices=WebhookKind.choices,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": gettext_lazy("Choose one kind of event at least.")},
    )


class DeliveryFilter(forms.Form):
    """Which deliveries of a webhook."""

    state = forms.ChoiceField(
        label=gettext_lazy("State"),
        required=False,
        choices=[("", gettext_lazy("Any")), *DeliveryState.choices],
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("Event"), required=False, choices=[("", gettext_lazy("Any")), *WebhookKind.choices]
    )
