"""Sentences in the reader's language, at the door of a page. Needs Django, knows no room.

Services, planning and the science say their sentences in English and so they are kept, logged and sent to
programs. A page tells them in the reader's language: ``told`` finds the template a sentence was made from,
among those the rooms made known with ``know``, and says it anew with the same figures.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from datetime import date
from functools import lru_cache, wraps
from itertools import pairwise
from typing import Any, Final, TypeVar

from django.utils.dates import MONTHS, MONTHS_3, WEEKDAYS, WEEKDAYS_ABBR
from django.utils.translation import get_language, gettext, override

_Work = TypeVar("_Work", bound=Callable[..., Any])
_HOLE: Final = re.compile(r"%\((\w+)\)s")
FEW_LETTERS: Final = 4
_BREAKS: Final = (
    (re.compile(r"(?<=[.!?:]) +"), " "),
    (re.compile(r"; "), "; "),
    (re.compile(r", "), ", "),
    (re.compile(r" (?=[+−-]\d)"), " "),
)
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
    """Return the telling that covers most of a text; where little of it is known, only its days."""
    covered, said = _Telling(text).best(text)
    return said if 3 * covered >= _letters(text) else _dates(text)


class _Telling:
    """The tellings of one text and its parts, each found once."""

    def __init__(self, text: str) -> None:
        self._found: dict[str, tuple[int, str]] = {}
        self._templates = [
            (template, letters, pattern)
            for template, (letters, pattern) in _templates.items()
            if letters in f" {text} "
        ]

    def best(self, text: str) -> tuple[int, str]:
        """Return how many letters of a part are told anew, and the part so told."""
        if text not in self._found:
            self._found[text] = self._best(text)
        return self._found[text]

    def _best(self, text: str) -> tuple[int, str]:
        plain = _dates(text)
        bare = 3 if plain != text else 0, plain
        if not re.search("[A-Za-z]{2}", text):
            return bare
        word = _word(text)
        if word:
            return _letters(text), word
        found = [bare, *self._by_templates(text), *self._in_parts(text)]
        return max(found, key=lambda one: one[0])

    def _by_templates(self, text: str) -> Iterator[tuple[int, str]]:
        for template, letters, pattern in self._templates:
            met = pattern.fullmatch(text) if letters in text else None
            said = gettext(template) if met else template
            if met is None or said == template:
                continue
            holes = {name: self.best(value) for name, value in met.groupdict().items()}
            own = _letters(_HOLE.sub("", template))
            inside = sum(covered for covered, _ in holes.values())
            # A few small words are found in any text: they count where something else in it is known.
            if own > FEW_LETTERS or inside:
                yield own + inside, said % {name: new for name, (_, new) in holes.items()}

    def _in_parts(self, text: str) -> Iterator[tuple[int, str]]:
        for breaks, glue in _BREAKS:
            parts = breaks.split(text)
            if len(parts) == 1:
                continue
            covered, said = self.best(parts[0])
            for before, part in pairwise(parts):
                alone, part_said = self.best(part)
                ways = [(covered + alone, said + glue + part_said)]
                # A template may begin with what parts it from the one before, or end with it.
                if len(glue + part) < len(text):
                    joined, joined_said = self.best(glue + part)
                    ways.append((covered + joined, said + joined_said))
                if before is parts[0] and len(before + glue) < len(text):
                    ended, ended_said = self.best(before + glue)
                    ways.append((ended + alone, ended_said + part_said))
                covered, said = max(ways, key=lambda one: one[0])
            yield covered, said
        if text[-1:] in ".:":
            covered, said = self.best(text[:-1])
            yield covered, said + text[-1:]


def _word(text: str) -> str:
    """Return a text of the catalogue; one that begins small may stand there with a capital."""
    for stands, turn in ((text, str), (_large(text), _small), (_small(text), _large)):
        said = gettext(stands)
        if said != stands:
            return turn(said)
    return ""


def _letters(text: str) -> int:
    return sum(map(str.isalpha, text))


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
