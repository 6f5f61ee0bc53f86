"""Moments at this door carry their zone and lie in years a database can hold."""

from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Final

from django import forms
from django.utils.dateparse import parse_datetime
from django_filters import rest_framework as filters
from rest_framework import serializers

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2200
MOST_CHARACTERS: Final = 40
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
