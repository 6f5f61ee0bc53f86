"""Sentences in the reader's language, at the door of a page. Needs Django, knows no room.

Services, planning and the science say their sentences in English and so they are kept, logged and sent to
programs. A page tells them in the reader's language: ``told`` finds the template a sentence was made from,
among those the rooms made known with ``know``, and says it anew with the same figures.
"""

import re
from collections.abc import Callable, Iterable
from datetime import date
from functools import lru_cache, wraps
from typing import Any, Final, TypeVar

from django.utils.dates import MONTHS, MONTHS_3, WEEKDAYS, WEEKDAYS_ABBR
from django.utils.translation import get_language, gettext, override

_Work = TypeVar("_Work", bound=Callable[..., Any])
DEEPEST: Final = 6
"""A sentence in a sentence in a sentence; beyond this nobody reads."""
_HOLE: Final = re.compile(r"%\((\w+)\)s")
_BREAKS: Final = (re.compile(r"(?<=[.!?:]) +"), re.compile(r"; "), re.compile(r", "))
_GLUES: Final = (" ", "; ", ", ")
_ENGLISH_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_ENGLISH_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_DAY: Final = re.compile(rf"\b(?:({'|'.join(_ENGLISH_DAYS)}) )?(\d{{1,2}}) ({'|'.join(_ENGLISH_MONTHS)})\b")
_templates: dict[str, tuple[str, re.Pattern[str]]] = {}
"""Template to its longest run of letters and the pattern that takes it apart; wordiest first."""


def know(sentences: Iterable[str]) -> None:
    """Make templates known; those without a hole are found in the catalogue itself."""
    for sentence in sentences:
        if _HOLE.search(sentence):
            _templates[sentence] = _taken_apart(sentence)
    ordered = sorted(_templates, key=lambda one: -len(_HOLE.sub("", one)))
    for sentence in ordered:
        _templates[sentence] = _templates.pop(sentence)
    _told.cache_clear()


def told(text: Any) -> Any:
    """Return a sentence in the reader's language; one that nobody made known stays as it is."""
    if not text or is_english() or not isinstance(text, str):
        return text
    return _told(text, get_language())


def is_english() -> bool:
    """Say whether nothing needs telling anew."""
    return (get_language() or "en").startswith("en")


def in_english(work: _Work) -> _Work:
    """Have a service write what it keeps in English, whoever pressed the button."""

    @wraps(work)
    def inner(*args: Any, **kwargs: Any) -> Any:
        with override("en"):
            return work(*args, **kwargs)

    return inner


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


@lru_cache(maxsize=8192)
def _told(text: str, language: str) -> str:
    return _found(text, 0) or _dates(text)


def _found(text: str, depth: int) -> str:
    """Return the sentence told anew, or an empty text where nothing of it is known."""
    if depth > DEEPEST or not re.search("[A-Za-z]{2}", text):
        return ""
    return _word(text) or _by_template(text, depth) or _in_parts(text, depth)


def _word(text: str) -> str:
    """Return a text of the catalogue; one that begins small may stand there with a capital."""
    for stands, turn in ((text, str), (_large(text), _small), (_small(text), _large)):
        said = gettext(stands)
        if said != stands:
            return turn(said)
    return ""


def _by_template(text: str, depth: int) -> str:
    for template, (letters, pattern) in _templates.items():
        if letters not in text:
            continue
        met = pattern.fullmatch(text)
        said = gettext(template) if met else template
        if met and said != template:
            return said % {
                name: (_found(value, depth + 1) or _dates(value)) for name, value in met.groupdict().items()
            }
    return ""


def _in_parts(text: str, depth: int) -> str:
    for breaks, glue in zip(_BREAKS, _GLUES, strict=True):
        parts = breaks.split(text)
        if len(parts) > 1:
            said = [_found(part, depth + 1) for part in parts]
            if any(said):
                return glue.join(new or _dates(old) for new, old in zip(said, parts, strict=True))
    end = text[-1:]
    if end in ".:":
        said_bare = _found(text[:-1], depth + 1)
        return f"{said_bare}{end}" if said_bare else ""
    return ""


def _dates(text: str) -> str:
    def turned(met: re.Match[str]) -> str:
        weekday, day, month = met.groups()
        before = f"{str(WEEKDAYS_ABBR[_ENGLISH_DAYS.index(weekday)]).lower()} " if weekday else ""
        return f"{before}{day} {str(MONTHS_3[_ENGLISH_MONTHS.index(month) + 1]).lower()}"

    return _DAY.sub(turned, text)


def _taken_apart(template: str) -> tuple[str, re.Pattern[str]]:
    runs, pattern, at, met = [], "", 0, set()
    for hole in _HOLE.finditer(template):
        run = template[at : hole.start()].replace("%%", "%")
        name = hole[1]
        pattern += re.escape(run) + (f"(?P={name})" if name in met else f"(?P<{name}>.*?)")
        met.add(name)
        runs.append(run)
        at = hole.end()
    runs.append(template[at:].replace("%%", "%"))
    return max(runs, key=len), re.compile(pattern + re.escape(runs[-1]), re.DOTALL)


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _large(text: str) -> str:
    return text[:1].upper() + text[1:]
