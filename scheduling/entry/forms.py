"""What is entered by hand, one small form for each kind, each saved by its own button."""

import uuid
from datetime import datetime
from typing import Any, ClassVar, Final

from django import forms
from django.utils.translation import gettext, gettext_lazy

from fleet.models import FlushKind, Meter, Part, PartKind, Person, RemovalReason, TreatmentUnit
from fleet.readings.rows import TESTED
from scheduling.entry import entering
from scheduling.entry.typed import read_total
from scheduling.pages.figures import quantity_of
from scheduling.visits.fields import NumberField
from scheduling.visits.form import FEED_TEST
from scheduling.visits.readings import GAUGES
from shared.errors import DomainError
from shared.measures import Measure
from shared.translation import translate

LABORATORY: Final = {
    **FEED_TEST,
    "calcium_hardness_mg_l": gettext_lazy("Calcium hardness"),
    "manganese_mg_l": gettext_lazy("Manganese"),
    "silica_mg_l": gettext_lazy("Silica"),
    "sulfate_mg_l": gettext_lazy("Sulphate"),
}
"""What a laboratory tells, in the order of a visit's own test and on."""
AS_CACO3: Final = ("hardness_mg_l", "calcium_hardness_mg_l", "alkalinity_mg_l")


class MomentInput(forms.DateTimeInput):
    """A moment by the browser's own picker, on the site's clock."""

    input_type = "datetime-local"

    def __init__(self):
        super().__init__(format="%Y-%m-%dT%H:%M")


def moment_field(label: str) -> forms.DateTimeField:
    """Return a field for a moment on the site's clock."""
    return forms.DateTimeField(label=label, widget=MomentInput())


class TotalField(forms.CharField):
    """A register total; cleaned it is the number and the measure written behind it."""

    def __init__(self, **given: Any):
        super().__init__(max_length=40, **given)
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def clean(self, value: str) -> tuple[float, Measure | None]:
        """Read it."""
        text = super().clean(value)
        if text in self.empty_values:
            return None
        total = read_total(text)
        if total is None:
            said = gettext("%(text)s is no total. Write what the register shows, e.g. 48,210 or 48.2K.")
            raise forms.ValidationError(said % {"text": f"“{text}”"})
        return total


class EntryForm(forms.Form):
    """One kind of entry for one treatment unit."""

    what: ClassVar[str]
    title: ClassVar[str]
    lead: ClassVar[str] = ""
    asks: str = ""
    """What is in doubt, once it was asked about."""

    def __init__(self, unit: TreatmentUnit, system: str, now: datetime, data: Any = None):
        super().__init__(data, auto_id=f"{self.what}-%s", initial=self.begin(unit, now))
        self.unit = unit
        self.fields |= self.measured()
        for field in self.fields.values():
            if isinstance(field, NumberField):
                field.use(system)

    def measured(self) -> dict[str, NumberField]:
        """Return the fields of what is measured, by column."""
        return {}

    def begin(self, unit: TreatmentUnit, now: datetime) -> dict:
        """Return what the empty form holds."""
        moment = now.replace(second=0, microsecond=0)
        return {name: moment for name in self.base_fields if name.endswith("_at")}

    def save(self, *, by: Person, now: datetime) -> str | None:
        """Keep what was entered and return what to say; None with what is wrong beside its field."""
        try:
            return self.keep(by=by, now=now)
        except entering.InDoubt as error:
            self.asks = translate(error)
        except DomainError as error:
            self.add_error(error.field if error.field in self.fields else None, translate(error))
        return None

    def keep(self, *, by: Person, now: datetime) -> str:
        """Keep what was entered. Raises DomainError."""
        raise NotImplementedError


class ReadingForm(EntryForm):
    """A register read out on the telephone."""

    what, title = "reading", gettext_lazy("Meter reading")
    meter = forms.ModelChoiceField(Meter.objects.none(), label=gettext_lazy("Meter"), empty_label=None)
    total = TotalField(label=gettext_lazy("Register shows"))
    read_at = moment_field(gettext_lazy("Read"))
    because = forms.CharField(label=gettext_lazy("Keep anyway, because"), required=False, max_length=160)

    def __init__(self, unit: TreatmentUnit, system: str, now: datetime, data: Any = None):
        super().__init__(unit, system, now, data)
        meters = self.fields["meter"]
        meters.queryset = Meter.objects.filter(treatment_unit=unit, removed_at=None).order_by("-water")
        meters.label_from_instance = lambda meter: " ".join(
            filter(None, (meter.get_water_display(), meter.serial, f"({meter.get_measure_display()})"))
        )

    def keep(self, *, by: Person, now: datetime) -> str:
        """Record the total."""
        given = self.cleaned_data
        total, measure = given["total"]
        report = entering.enter_total(
            given["meter"], total, measure=measure, at=given["read_at"], because=given["because"], by=by,
            now=now,
        )  # fmt: skip
        if report.duplicates:
            return gettext("This reading was known already.")
        return gettext("Kept: %(total)s %(measure)s.") % {
            "total": f"{total:,.10g}", "measure": measure or given["meter"].measure,
        }  # fmt: skip


class GaugesForm(EntryForm):
    """Gauges and flows."""

    what, title = "gauges", gettext_lazy("Gauges and flows")
    lead = gettext_lazy("Read together, at one moment, while the unit makes water.")
    read_at = moment_field(gettext_lazy("Read"))
    saw_fines = forms.BooleanField(label=gettext_lazy("Fines or turbidity seen"), required=False)

    def measured(self) -> dict[str, NumberField]:
        """Return the gauges, in the order one walks along the water."""
        return {name: NumberField(label, quantity_of(name)) for name, label in GAUGES.items()}

    def keep(self, *, by: Person, now: datetime) -> str:
        """Record them."""
        given = self.cleaned_data
        values = {name: given[name] for name in GAUGES if given[name] is not None}
        entering.enter_gauges(
            self.unit, values, at=given["read_at"], saw_fines=given["saw_fines"], by=by, now=now
        )
        return gettext("The gauges are kept.")


class FeedTestForm(EntryForm):
    """A laboratory's test of the feed water."""

    what, title = "test", gettext_lazy("Feed test")
    lead = gettext_lazy("As the laboratory writes it. Total chlorine is free and combined chlorine together.")
    sampled_at = moment_field(gettext_lazy("Sampled"))
    source = forms.CharField(label=gettext_lazy("Laboratory"), required=False, max_length=40)
    total_chlorine_mg_l = NumberField(gettext_lazy("Total chlorine"), "mg_l")

    def measured(self) -> dict[str, NumberField]:
        """Return what a laboratory measures."""
        as_caco3 = gettext("%(value)s as CaCO3") % {"value": Measure.MG_PER_LITRE.value}
        return {
            name: NumberField(
                label, quantity_of(name),
                measure=as_caco3 if name in AS_CACO3 else "NTU" if name.endswith("ntu") else "",
            )
            for name, label in LABORATORY.items()
        }  # fmt: skip

    def keep(self, *, by: Person, now: datetime) -> str:
        """Record it for the unit's site."""
        given = self.cleaned_data
        entering.enter_feed_test(
            self.unit.site, {name: given[name] for name in TESTED if given.get(name) is not None},
            total_chlorine_mg_l=given["total_chlorine_mg_l"], at=given["sampled_at"], source=given["source"],
            by=by, now=now,
        )  # fmt: skip
        return gettext("The feed test of %(site)s is kept.") % {"site": self.unit.site.name}


class FlushForm(EntryForm):
    """A flush the customer or somebody else did."""

    what, title = "flush", gettext_lazy("Flush")
    lead = gettext_lazy("Only a flush that ran clear clears what is owed.")
    client_id = forms.UUIDField(widget=forms.HiddenInput)
    kind = forms.ChoiceField(label=gettext_lazy("What for"), choices=FlushKind.choices)
    flushed_at = moment_field(gettext_lazy("When"))
    volume_gal = NumberField(gettext_lazy("Drained"), "gal")
    minutes = NumberField(gettext_lazy("Took"), measure="min")
    ran_clear = forms.BooleanField(label=gettext_lazy("It ran clear, no fines"), required=False)

    def begin(self, unit: TreatmentUnit, now: datetime) -> dict:
        """Give the flush its number."""
        return super().begin(unit, now) | {"client_id": uuid.uuid4()}

    def keep(self, *, by: Person, now: datetime) -> str:
        """Record it."""
        given = self.cleaned_data
        entering.enter_flush(
            self.unit, kind=given["kind"], at=given["flushed_at"], volume_gal=given["volume_gal"] or 0,
            minutes=given["minutes"] or 0, ran_clear=given["ran_clear"], client_id=given["client_id"], by=by,
            now=now,
        )  # fmt: skip
        return gettext("The flush is kept.")


class PartForm(EntryForm):
    """A part the customer changed."""

    what, title = "part", gettext_lazy("Part changed by the customer")
    lead = gettext_lazy(
        "Stock is not touched. A new part that needs a flush leaves the unit not for use until that flush is "
        "recorded."
    )
    position = forms.ChoiceField(label=gettext_lazy("Position"))
    kind = forms.ModelChoiceField(PartKind.objects.order_by("name"), label=gettext_lazy("New part"))
    changed_at = moment_field(gettext_lazy("When"))
    reason = forms.ChoiceField(
        label=gettext_lazy("Why the old one came out"), choices=RemovalReason.choices,
        initial=RemovalReason.UNKNOWN,
    )  # fmt: skip
    serial = forms.CharField(label=gettext_lazy("Serial"), required=False, max_length=60)
    lot = forms.CharField(label=gettext_lazy("Lot"), required=False, max_length=60)

    def __init__(self, unit: TreatmentUnit, system: str, now: datetime, data: Any = None):
        super().__init__(unit, system, now, data)
        in_place = {
            part.position_id: part
            for part in Part.objects.in_place().filter(treatment_unit=unit).select_related("kind")
        }
        self.fields["position"].choices = []
        for position in unit.positions.order_by("order"):
            part = in_place.get(position.pk)
            held = part.kind.name if part else gettext("empty")
            self.fields["position"].choices += [
                (f"{position.pk}:{part.pk if part else ''}", f"{position.code}: {held}")
            ]

    def clean_position(self) -> tuple[str, str]:
        """Return the position and what was seen in it."""
        position, _, found = self.cleaned_data["position"].partition(":")
        return position, found

    def keep(self, *, by: Person, now: datetime) -> str:
        """Record the change."""
        given = self.cleaned_data
        position, found = given["position"]
        entering.enter_part(
            self.unit.positions.select_related("treatment_unit").get(pk=position), kind=given["kind"],
            found=Part.objects.filter(pk=found).first() if found else None, at=given["changed_at"],
            reason=given["reason"], serial=given["serial"], lot=given["lot"], by=by, now=now,
        )  # fmt: skip
        return gettext("The new part is in place.")


FORMS: Final = (ReadingForm, GaugesForm, FeedTestForm, FlushForm, PartForm)
