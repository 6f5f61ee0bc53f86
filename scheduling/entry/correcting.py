"""The forms by which something recorded is corrected: its values as they stand, a reason, what follows."""

from typing import Any, Final

from django import forms
from django.utils.translation import gettext_lazy

from fleet.corrections.corrections import COUNTS, KINDS, version_of
from fleet.models import Corrected, FlushKind, RemovalReason
from scheduling.entry.forms import LABORATORY, TotalField, moment_field
from scheduling.pages.figures import quantity_of
from scheduling.visits.fields import NumberField
from scheduling.visits.readings import GAUGES
from shared.measures import Measure, from_inside, gal_per

LABELS: Final = {
    **GAUGES, **LABORATORY, "total": gettext_lazy("Register shows"), "read_at": gettext_lazy("Read"),
    "sampled_at": gettext_lazy("Sampled"), "saw_fines": gettext_lazy("Fines or turbidity seen"),
    "installed_at": gettext_lazy("Installed"), "removed_at": gettext_lazy("Removed"),
    "removal_reason": gettext_lazy("Why it came out"), "serial": gettext_lazy("Serial"),
    "lot": gettext_lazy("Lot"), "kind": gettext_lazy("What for"), "flushed_at": gettext_lazy("When"),
    "volume_gal": gettext_lazy("Drained"), "minutes": gettext_lazy("Took"),
    "ran_clear": gettext_lazy("It ran clear, no fines"),
    COUNTS: gettext_lazy("It counts (untick what was never read here)"),
}  # fmt: skip
"""What people call the columns that can be corrected."""
_CHOICES: Final = {"removal_reason": RemovalReason.choices, "kind": FlushKind.choices}
_TICKS: Final = ("saw_fines", "ran_clear", COUNTS)
_TEXTS: Final = ("serial", "lot")


class CorrectionForm(forms.Form):
    """The values of one row, one reason."""

    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, of: str, row: Any, system: str, data: Any = None):
        super().__init__(data, auto_id="%s", initial={"version": version_of(of, row.pk)})
        self.of, self.row, self.system = of, row, system
        for name in KINDS[of].fields:
            if name in ("removed_at", "removal_reason") and row.removed_at is None:
                continue
            self.fields[name] = self._field(name)
        self.fields["reason"] = forms.CharField(
            label=gettext_lazy("Why it is corrected"), max_length=200,
            error_messages={"required": gettext_lazy("Say why; the history keeps it.")},
        )  # fmt: skip

    def _field(self, name: str) -> forms.Field:
        label, value = LABELS[name], getattr(self.row, name)
        if name.endswith("_at"):
            field = moment_field(label)
        elif name in _CHOICES:
            field = forms.ChoiceField(label=label, choices=_CHOICES[name])
        elif name in _TICKS:
            field = forms.BooleanField(label=label, required=False)
        elif name in _TEXTS:
            field = forms.CharField(label=label, required=False, max_length=60)
        elif name == "total":
            field = TotalField(label=f"{label} ({self.row.meter.measure})")
            value = f"{value:.10g}"
        else:
            field = NumberField(label, quantity_of(name), measure="min" if name == "minutes" else "")
            field.use(self.system)
            if value is not None:
                value = f"{from_inside(value, field.typed_in) if field.typed_in else value:.6g}"
        field.initial = value
        return field

    def corrected(self) -> dict[str, Any]:
        """Return the values that were typed anew; what was not touched stays to the last digit."""
        given = {}
        for name in self.changed_data:
            if name in ("version", "reason"):
                continue
            value = self.cleaned_data[name]
            if name == "total":
                number, measure = value
                own = gal_per(Measure(self.row.meter.measure))
                value = number * gal_per(measure) / own if measure else number
            given[name] = value
        return given


ABOUT: Final = {
    Corrected.TOTAL: gettext_lazy("A register can be corrected for its number and for when it was read."),
    Corrected.GAUGES: gettext_lazy("Empty a gauge that was not read at all."),
    Corrected.FEED_TEST: gettext_lazy("Every unit fed by this water is reassessed."),
    Corrected.PART: gettext_lazy(
        "Where another part came in or went out at the same moment, that moment moves with it."
    ),
    Corrected.FLUSH: gettext_lazy("Only a flush that ran clear clears what is owed."),
}
