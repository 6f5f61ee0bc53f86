"""Sentences kept as data: a template, which is their code, and its figures. No Django.

A ``Message`` is a str and reads in English wherever no reader is known: in logs, commands, files and the API.
A page says it in the reader's language (``shared.translation.translate``). What people typed is a plain str
and is never translated.
"""

import json
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from decimal import Decimal
from numbers import Integral, Real
from string import Formatter
from typing import Any, Final

MARK: Final = "\x1e"
"""Parts the English sentence from its data where it is stored: ASCII's record separator, on no keyboard."""
DAY: Final = "day"
"""The format of a day as sentences name it: Thu 26 Nov 2026."""
_HALF_SIGN: Final = re.compile("[\ud800-\udfff]")
_CASES: Final[dict[str, Callable[[str], str]]] = {"lower": str.lower, "capitalize": str.capitalize}


class Message(str):
    """A sentence of the code's own, with the template and the figures it is made from.

    Holes are those of ``str.format``: ``{day:%d %b}``, ``{amount:.2f}``; days also take ``{day:day}`` and
    texts ``{word:lower}`` or ``{word:capitalize}``. A template without figures is taken as it stands.
    """

    template: str
    figures: dict[str, Any]

    def __new__(cls, template: str, figures: Mapping[str, Any] | None = None) -> "Message":
        """Fill the template in English. Raises KeyError or ValueError when a hole can't be filled."""
        kept = {name: _kept(value) for name, value in (figures or {}).items()}
        made = super().__new__(cls, fill(template, kept))
        made.template, made.figures = str(template), kept
        return made

    def __reduce__(self) -> tuple:
        return Message, (self.template, self.figures)

    def __add__(self, other: str) -> "Message":
        return joined("", (self, other))

    def __radd__(self, other: str) -> "Message":
        return joined("", (other, self))

    def strip(self, chars: str | None = None) -> str:
        """Return it as it is where nothing is to be taken away."""
        bare = super().strip(chars)
        return self if bare == self else bare

    def lower(self) -> "Message":
        """Return it in small letters, in any language."""
        return message("{text:lower}", text=self)

    def capitalize(self) -> "Message":
        """Return it with a capital first letter, in any language."""
        return message("{text:capitalize}", text=self)


def message(template: str, /, **figures: Any) -> Message:
    """Make a message; the template stands in the catalogue of translations."""
    return Message(template, figures)


def joined(between: str, parts: Iterable[str]) -> str:
    """Join like ``str.join``, so that each part is still translated by itself."""
    parts = [part if isinstance(part, str) else str(part) for part in parts if part]
    if not any(isinstance(part, Message) for part in parts):
        return between.join(parts)
    if len(parts) == 1:
        return parts[0]
    names = [f"part_{number}" for number in range(len(parts))]
    between = between.replace("{", "{{").replace("}", "}}")
    return Message(between.join(f"{{{name}}}" for name in names), dict(zip(names, parts, strict=True)))


def fill(
    template: str,
    figures: Mapping[str, Any],
    *,
    say: Callable[[str], str] = str,
    write_day: Callable[[date, str], str] = date.strftime,
) -> str:
    """Put figures into a template. ``say`` translates a message or text inside, ``write_day`` a day."""
    return _Filler(say, write_day).vformat(template, (), figures) if figures else template


class _Filler(Formatter):
    def __init__(self, say: Callable[[str], str], write_day: Callable[[date, str], str]) -> None:
        self.say = say
        self.write_day = write_day

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, date):
            return self._day(value, format_spec)
        if isinstance(value, list):
            return ", ".join(self.format_field(one, format_spec) for one in value)
        if isinstance(value, Message):
            value = self.say(value)
        if format_spec in _CASES:
            return _CASES[format_spec](str(value))
        return format(value, format_spec)

    def _day(self, value: date, form: str) -> str:
        if form == DAY:
            return f"{self.write_day(value, '%a')} {value.day} {self.write_day(value, '%b %Y')}"
        return self.write_day(value, form) if form else str(value)


def stored(text: str) -> str:
    """Return a text as one string to keep: a message with its data, a typed text as it is."""
    if isinstance(text, Message):
        return f"{str(text).replace(MARK, '')}{MARK}{_dumped([text.template, _as_json(text.figures)])}"
    return MARK + MARK + text if MARK in text else text


def loaded(text: str) -> str:
    """Return what ``stored`` kept."""
    if MARK not in text:
        return text
    if text.startswith(MARK + MARK):
        return text[2:]
    try:
        template, figures = json.loads(text.rpartition(MARK)[2])
        return Message(template, _from_json(figures))
    except (ValueError, TypeError, LookupError, AttributeError):
        return text


def stored_within(value: Any) -> Any:
    """Return JSON data with each text in it as ``stored`` has it."""
    return _within(value, stored)


def loaded_within(value: Any) -> Any:
    """Return what ``stored_within`` kept."""
    return _within(value, loaded)


def _within(value: Any, turn: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return turn(value)
    if isinstance(value, dict):
        return {name: _within(one, turn) for name, one in value.items()}
    return [_within(one, turn) for one in value] if isinstance(value, list | tuple) else value


def _kept(value: Any) -> Any:
    """Return a figure as one of the kinds that can be kept and formatted."""
    as_message = getattr(value, "as_message", None)
    if as_message is not None:
        return as_message
    match value:
        case None | bool() | Message() | date() | Decimal():
            return value
        case Integral():
            return int(value)
        case Real():
            return float(value)
        case list() | tuple():
            return [_kept(one) for one in value]
    return str(value)


def _dumped(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    # Names are found in it as they are typed; what no UTF-8 can hold is escaped.
    return json.dumps(value, separators=(",", ":")) if _HALF_SIGN.search(text) else text


def _as_json(value: Any) -> Any:
    match value:
        case dict():
            return {name: _as_json(one) for name, one in value.items()}
        case list():
            return [_as_json(one) for one in value]
        case Message():
            return {"message": [value.template, _as_json(value.figures)]}
        case datetime():
            return {"moment": value.isoformat()}
        case date():
            return {"date": value.isoformat()}
        case Decimal():
            return {"decimal": str(value)}
    return value


def _from_json(figures: dict[str, Any]) -> dict[str, Any]:
    return {name: _figure(value) for name, value in figures.items()}


def _figure(value: Any) -> Any:
    match value:
        case list():
            return [_figure(one) for one in value]
        case {"message": [template, figures]}:
            return Message(template, _from_json(figures))
        case {"moment": text}:
            return datetime.fromisoformat(text)
        case {"date": text}:
            return date.fromisoformat(text)
        case {"decimal": text}:
            return Decimal(text)
    return value
