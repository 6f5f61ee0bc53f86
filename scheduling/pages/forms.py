"""What people may ask of the pages of this room, checked before anything is read or written."""

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy

ANY = [("", gettext_lazy("Any"))]


class DayInput(forms.DateInput):
    """A date by the browser's own picker."""

    input_type = "date"

    def __init__(self):
        super().__init__(format="%Y-%m-%d")


class MonthInput(forms.TextInput):
    """A month by the browser's own picker."""

    input_type = "month"


FIRST_YEAR, LAST_YEAR = 1980, 2200


def month_of(text: str) -> date | None:
    """Read "2026-11" as the first of November; None for anything else and for absurd years."""
    try:
        month = date.fromisoformat(f"{text}-01")
    except ValueError:
        return None
    return month if FIRST_YEAR <= month.year <= LAST_YEAR else None
