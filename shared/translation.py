"""Messages in the reader's language, and the fields that keep them. Needs Django, knows no subject."""

from datetime import date
from functools import cache
from typing import Any

from django.db.models import Choices, JSONField, TextField
from django.utils.dates import MONTHS, MONTHS_3, WEEKDAYS, WEEKDAYS_ABBR
from django.utils.translation import get_language, gettext, override

from shared.errors import DomainError
from shared.messages import Message, fill, loaded, loaded_within, message, stored, stored_within


def translate(text: Any) -> Any:
    """Return a message or refusal in the reader's language; what people typed, and all else, as it is."""
    if isinstance(text, DomainError):
        text = text.sentence
    if not isinstance(text, Message):
        return text
    if is_english():
        return str(text)
    template = gettext(text.template) if text.template else ""
    return fill(template, text.figures, say=translate, write_day=written)


def is_english() -> bool:
    """Say whether the reader's language is the code's own."""
    return (get_language() or "en").startswith("en")


def written(day: date, form: str) -> str:
    """Write a day or moment by ``strftime``, its months and weekdays in the reader's language."""
    if not is_english():
        for code, name in (
            ("%b", lambda: MONTHS_3[day.month]),
            ("%B", lambda: MONTHS[day.month]),
            ("%a", lambda: WEEKDAYS_ABBR[day.weekday()]),
            ("%A", lambda: WEEKDAYS[day.weekday()]),
        ):
            if code in form:
                form = form.replace(code, str(name()).lower())
    return day.strftime(form)


def label_of(choices: type[Choices], value: Any) -> str:
    """Return the label of a value as a message; a value that is none of the choices as it is."""
    return _labels(choices).get(value, value)


@cache
def _labels(choices: type[Choices]) -> dict[Any, Message]:
    with override(None):
        return {one.value: message(str(one.label)) for one in choices}


class MessageField(TextField):
    """A text column that keeps a message with its template and figures, and a typed text as it is."""

    def from_db_value(self, value, expression, connection):
        """Return the message or the typed text."""
        return value if value is None else loaded(value)

    def get_prep_value(self, value):
        """Return the text to keep; a search for a plain text looks in the English sentence."""
        value = super().get_prep_value(value)
        return stored(value) if isinstance(value, str) else value


class MessagesField(JSONField):
    """A JSON column whose texts may be messages."""

    def from_db_value(self, value, expression, connection):
        """Return the data with its messages."""
        return loaded_within(super().from_db_value(value, expression, connection))

    def get_db_prep_value(self, value, connection, prepared=False):
        """Return the data as JSON, its messages as texts."""
        return super().get_db_prep_value(stored_within(value), connection, prepared)
