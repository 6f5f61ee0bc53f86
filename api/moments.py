"""Moments at this door carry their zone and lie in years a database can hold."""

from datetime import UTC, datetime
from typing import Final

from django import forms
from django.utils.dateparse import parse_datetime
from django_filters import rest_framework as filters
from rest_framework import serializers

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2200
REMEDY: Final = f"Write ISO 8601 with a zone, e.g. 2026-11-02T15:00:00Z, in {FIRST_YEAR} to {LAST_YEAR}."


def read_moment(text: object) -> datetime | None:
    """Return a moment in UTC, or None for what is none: no zone, no date, an absurd year."""
    if not isinstance(text, str) or len(text) > 40:
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
