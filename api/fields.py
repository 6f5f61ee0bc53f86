"""What bodies and queries share: strict names, and moments with a zone in years a database can hold."""

import difflib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import ClassVar, Final

from django import forms
from django.db.models import Model
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django_filters import rest_framework as filters
from rest_framework import serializers

from fleet.workbook.cells import NO_TEXT

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2200
MOST_CHARACTERS: Final = 40
NUMBERS: Final = (serializers.FloatField, serializers.IntegerField, serializers.DecimalField)
MOST_KEY: Final = 2**63 - 1
NO_TEXT_HERE: Final = "This holds control characters or others that are no text. Leave them away."
REMEDY: Final = f"Write ISO 8601 with a zone, e.g. 2026-11-02T15:00:00Z, in {FIRST_YEAR} to {LAST_YEAR}."


def read_moment(text: object) -> datetime | None:
    """Return a moment in UTC, or None for what is none: no zone, no date, an absurd year."""
    if not isinstance(text, str) or len(text) > MOST_CHARACTERS:
        return None
    try:
        moment = parse_datetime(text.strip())
    except ValueError:
        return None
    if moment is None or moment.tzinfo is None or not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return None
    try:
        # PostgreSQL knows no zone sixteen hours or more away; the moment itself is the same in any.
        return moment.astimezone(UTC)
    except OverflowError:
        return None


def read_moments(texts: Sequence[object]) -> Sequence[datetime | None]:
    """Return what ``read_moment`` returns of each; all at one go where every text is plainly one."""
    with suppress(TypeError, ValueError, OverflowError):
        moments = list(map(datetime.fromisoformat, map(str.strip, texts)))
        zones, years = {moment.tzinfo for moment in moments}, {moment.year for moment in moments}
        is_plain = None not in zones and min(years) >= FIRST_YEAR and max(years) <= LAST_YEAR
        if is_plain and max(map(len, texts)) <= MOST_CHARACTERS:
            return moments if zones == {UTC} else [moment.astimezone(UTC) for moment in moments]
    return [read_moment(text) for text in texts]


class MomentFormField(forms.Field):
    """A moment in a query."""

    def to_python(self, value: object) -> datetime | None:
        """Return the moment; raise for anything else."""
        if value in self.empty_values:
            return None
        moment = read_moment(value)
        if moment is None:
            raise forms.ValidationError(f"This is no moment. {REMEDY}")
        return moment


class MomentFilter(filters.IsoDateTimeFilter):
    """Keeps rows before or after a moment with its zone."""

    field_class = MomentFormField


class BoundedDateFormField(forms.DateField):
    """A day in a query, in believable years."""

    def to_python(self, value: object):
        """Return the day; raise for anything else."""
        day = super().to_python(value)
        if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise forms.ValidationError(f"Give a day in {FIRST_YEAR} to {LAST_YEAR}.")
        return day


class DayFilter(filters.DateFilter):
    """Keeps rows before or after a day."""

    field_class = BoundedDateFormField


class DayField(serializers.DateField):
    """A day in a body, in believable years."""

    def to_internal_value(self, value: object):
        """Return the day; raise for anything else."""
        day = super().to_internal_value(value)
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise serializers.ValidationError(f"Give a day in {FIRST_YEAR} to {LAST_YEAR}.")
        return day


class MomentField(serializers.DateTimeField):
    """A moment in a body, with its zone, in believable years."""

    def to_internal_value(self, value: object) -> datetime:
        """Return the moment; raise for anything else."""
        moment = read_moment(value)
        if moment is None:
            raise serializers.ValidationError(f"This is no moment. {REMEDY}")
        return moment


class PastMomentField(MomentField):
    """A moment that has come."""

    def to_internal_value(self, value: object) -> datetime:
        """Return the moment; raise for one to come too."""
        moment = super().to_internal_value(value)
        if moment > timezone.now():
            raise serializers.ValidationError("This moment has not come yet.")
        return moment


class WrittenUuid(serializers.UUIDField):
    """A UUID as text; a number is none."""

    def to_internal_value(self, data: object):
        """Return the UUID; refuse anything but text."""
        if not isinstance(data, str):
            self.fail("invalid", value=data)
        return super().to_internal_value(data)


class Row(serializers.ModelSerializer):
    """How a row is shown: ``site_code`` is the code of its site, null where it may have none."""

    def build_field(self, field_name: str, info, model_class: type[Model], nested_depth: int) -> tuple:
        """Return a field of the row, or of a row it belongs to."""
        owners = [name for name in info.forward_relations if field_name.startswith(f"{name}_")]
        if field_name in info.fields_and_pk or not owners:
            return super().build_field(field_name, info, model_class, nested_depth)
        (owner,) = owners
        given = {"allow_null": model_class._meta.get_field(owner).null}
        if field_name == f"{owner}_id":
            return serializers.IntegerField, given
        return serializers.CharField, given | {"source": f"{owner}.{field_name.removeprefix(f'{owner}_')}"}

    def get_extra_kwargs(self) -> dict:
        """Return what makes each field one to read only."""
        return {name: {"read_only": True} for name in self.Meta.fields}


class BodyMixin:
    """Refuses names nobody knows, with the nearest named, a boolean for a number, and what is no text."""

    def to_internal_value(self, data: object) -> dict:
        """Return the body's values. Raises ValidationError by field."""
        if isinstance(data, Mapping):
            refused = (
                {
                    name[:80].encode("utf-8", "replace").decode(): [_unknown(name, list(self.fields))]
                    for name in data
                    if name not in self.fields
                }
                | {
                    name: ["A number is wanted here, not true or false."]
                    for name, field in self.fields.items()
                    if isinstance(data.get(name), bool) and isinstance(field, NUMBERS)
                }
                | {name: [NO_TEXT_HERE] for name in self.fields if _has_no_text(data.get(name))}
            )
            if refused:
                raise serializers.ValidationError(refused)
        return super().to_internal_value(data)


class Body(BodyMixin, serializers.Serializer):
    """What a program sends."""


class Details(BodyMixin, serializers.ModelSerializer):
    """Some fields of a row; at least one."""

    def validate(self, attrs: dict) -> dict:
        """Refuse a body that changes nothing."""
        if not attrs:
            raise serializers.ValidationError({"body": f"Give at least one of: {', '.join(self.fields)}."})
        return attrs


class Measured(Body):
    """Values under their column's names, only those that were read; handed on as ``measured``."""

    columns: ClassVar[dict[str, float]] = {}
    """The highest that is believed of each."""

    def get_fields(self) -> dict:
        """Return the own fields and one for each value."""
        return super().get_fields() | {
            name: serializers.FloatField(min_value=0, max_value=most, required=False)
            for name, most in self.columns.items()
        }

    def validate(self, attrs: dict) -> dict:
        """Gather what was read."""
        return attrs | {"measured": {name: attrs[name] for name in self.columns if name in attrs}}


def key_field() -> serializers.IntegerField:
    """Return a field for a row's key."""
    return serializers.IntegerField(min_value=1, max_value=MOST_KEY)


def _has_no_text(value: object) -> bool:
    """Say whether a value, or one inside it, has signs that the import refuses too."""
    if isinstance(value, str):
        return NO_TEXT.search(value) is not None
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return any(map(_has_no_text, inside))


def _unknown(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name[:80], known, 1)
    hint = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(known)}."
    return f"There is no such field. {hint}"
