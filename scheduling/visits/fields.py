"""The fields a visit's form is made of: numbers as typed, ticks, choices, and what must be filled in."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from django import forms
from django.utils.translation import gettext

from fleet.display.figures import measure_for
from scheduling.visits.checks import MOST_MINUTES
from scheduling.visits.signature import checked_strokes
from shared.measures import to_inside

_THOUSANDS: Final = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")
_PLAIN: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


@dataclass(frozen=True)
class Need:
    """A field that must be filled in; the phone's script reads it, too, so that nobody drives off without."""

    field: str
    text: str
    when: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Asked only when one of these fields has one of its values; none: always."""
    unless: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Excused when one of these fields has one of its values."""
    beside: Sequence[str] = ()
    """Asked only when one of these fields is filled in; none: always."""
    instead: Sequence[str] = ()
    """Fields of which one may be filled in in its place."""

    def is_missing(self, typed: Mapping[str, str]) -> bool:
        """Say whether it is asked for by what was typed, and not there."""

        def has(name: str) -> bool:
            return bool(typed.get(name, "").strip())

        def holds(values: Mapping[str, Sequence[str]]) -> bool:
            return any(typed.get(name, "") in among for name, among in values.items())

        if (self.when and not holds(self.when)) or holds(self.unless):
            return False
        if self.beside and not any(map(has, self.beside)):
            return False
        return not any(map(has, (self.field, *self.instead)))


class Problem(NamedTuple):
    """One field that can't be right, and what would mend it."""

    field: str
    message: str


def read_number(text: str) -> float | None:
    """Read a number as people type it: 1234.5, 1,234.5 or 1234,5. None when it is not one."""
    tight = text.strip().replace(" ", "").replace("\u00a0", "").replace("−", "-")
    if _THOUSANDS.fullmatch(tight):
        return float(tight.replace(",", ""))
    if _PLAIN.fullmatch(tight):
        return float(tight.replace(",", "."))
    return None


class NumberField(forms.Field):
    """A number as typed, in a person's measure; cleaned it is in the working one."""

    def __init__(self, label: str, quantity: str | None = None, *, measure: str = "", keys: str = "decimal"):
        super().__init__(label=label, required=False)
        self.quantity, self.measure, self.typed_in = quantity, measure, None
        self.widget.attrs = {"inputmode": keys, "autocomplete": "off"}

    def use(self, system: str) -> None:
        """Take numbers in a person's measures."""
        if self.quantity:
            self.typed_in = measure_for(self.quantity, system)
            self.measure = self.measure or self.typed_in.value

    def expect(self, name: str, told: str, low: float | None, high: float | None) -> None:
        """Say below the field what is usual; the phone remarks on what lies outside."""
        self.help_text = told
        bounds = ("" if bound is None else f"{bound:.10g}" for bound in (low, high))
        self.widget.attrs |= dict(zip(("data-low", "data-high"), bounds, strict=True))
        self.widget.attrs["aria-describedby"] = f"{name}-help"

    def clean(self, value: str | None) -> float | None:
        text = (value or "").strip()
        if not text:
            return None
        number, told = read_number(text), {"label": self.label, "text": repr(text)}
        if number is None:
            said = gettext("%(label)s: %(text)s is not a number. Write digits, e.g. 12.5.")
            raise forms.ValidationError(said % told)
        if number < 0 and self.quantity != "c":
            said = gettext("%(label)s: %(text)s is below zero. Check the sign.")
            raise forms.ValidationError(said % {**told, "text": text})
        return to_inside(number, self.typed_in) if self.typed_in else number


class MinutesField(NumberField):
    """Minutes on site."""

    def clean(self, value: str | None) -> float | None:
        minutes = super().clean(value)
        if minutes is not None and minutes > MOST_MINUTES:
            said = gettext("%(minutes)s minutes can't be. Write 0 to 1440.")
            raise forms.ValidationError(said % {"minutes": f"{minutes:g}"})
        return minutes


class PercentField(NumberField):
    """A share as people write it, in percent; cleaned it is a fraction."""

    def __init__(self, label: str):
        super().__init__(label, measure="%")

    def clean(self, value: str | None) -> float | None:
        percent = super().clean(value)
        if percent is not None and percent > 100:
            said = gettext("%(label)s: %(percent)s %% can't be. Write 0 to 100.")
            raise forms.ValidationError(said % {"label": self.label, "percent": f"{percent:g}"})
        return None if percent is None else percent / 100


class ClockField(NumberField):
    """A flow the phone's clock counts by; nobody else looks at it."""

    def clean(self, value: str | None) -> None:
        return None


class StrokesField(forms.CharField):
    """A signature as the phone draws it."""

    def clean(self, value: str | None) -> str:
        try:
            return checked_strokes(value or "")
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error


def hidden(**given: Any) -> forms.CharField:
    return forms.CharField(required=False, widget=forms.HiddenInput, **given)


def text_line(label: str, longest: int, **attrs: str) -> forms.CharField:
    """Return a field of one line; what a phone sends beyond its length is cut off, never refused."""
    attrs = {"maxlength": longest, **attrs}
    return forms.CharField(label=label, required=False, widget=forms.TextInput(attrs=attrs))


def tick(label: str = "", **attrs: str) -> forms.BooleanField:
    return forms.BooleanField(
        label=label, required=False, widget=forms.CheckboxInput(attrs={"value": "1", **attrs})
    )


def choice(label: str, choices: list, refusal: str) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label, choices=choices, required=False, widget=forms.RadioSelect,
        error_messages={"invalid_choice": refusal},
    )  # fmt: skip


def select(choices: list, label: str) -> forms.CharField:
    """Return a list to choose from; what stands at a position nobody touched is never looked at."""
    return forms.CharField(label=label, required=False, widget=forms.Select(choices=choices))
