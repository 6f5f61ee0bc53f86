"""Kinds of columns that show days, moments, measures, wear and marks, and the marks themselves."""

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from typing import Any

from django.template.loader import render_to_string
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.text import Truncator
from django.utils.timezone import localtime
from django.utils.translation import gettext

from fleet.templatetags import tapward
from shared.tables import Column, Number, Read, read
from shared.translation import translate


def mark(tone: str, word: object) -> str:
    """Return a state by word, shape and colour. Tones: good, watch, bad, info, off."""
    return render_to_string("parts/mark.html", tapward.mark(tone, word))


def readiness_mark(state: str, word: str) -> str:
    """Return a treatment unit's readiness."""
    return render_to_string("parts/mark.html", tapward.readiness_mark(state, word))


def moment(value: Any, form: str = "") -> str:
    """Write a moment on the reader's clock."""
    return date_format(localtime(value), form or gettext("j M Y, H:i")) if value else ""


def tick(name: str, value: object, words: str) -> str:
    """Return a tick that chooses a row, said in words."""
    return format_html(
        '<label class="tick-cell no-print"><input type="checkbox" name="{}" value="{}">'
        '<span class="unseen">{}</span></label>', name, value, words,
    )  # fmt: skip


def code(text: str) -> str:
    """Return what a machine is told, e.g. an address."""
    return format_html('<code class="wraps">{}</code>', text)


def button(page: dict, address: str, words: str, *, said: str = "", confirm: str = "", css: str = "") -> str:
    """Return a button that posts; ``said`` names the row it is about, ``confirm`` asks before."""
    asks = format_html(' data-confirm="{}"', confirm) if confirm else ""
    named = format_html(' aria-label="{}"', said) if said else ""
    return format_html(
        '<form class="actions" method="post" action="{}">'
        '<input type="hidden" name="csrfmiddlewaretoken" value="{}">'
        '<button class="button {}" type="submit"{}{}>{}</button></form>',
        address, page["csrf_token"], css, asks, named, words,
    )  # fmt: skip


@dataclass(frozen=True)
class Day(Column):
    """A calendar day."""

    css: str = "nowrap"
    empty: str = tapward.NOTHING

    def text(self, value: Any, page: dict) -> object:
        """Return it as everywhere, e.g. 3 Nov 2026."""
        return tapward.day(value)


@dataclass(frozen=True)
class Moment(Column):
    """A moment, on the reader's clock or that of the list's ``zone``."""

    _: KW_ONLY
    form: Callable[[], str] | None = None
    css: str = "nowrap"

    def text(self, value: Any, page: dict) -> object:
        """Return day and time."""
        return moment(value, self.form() if self.form else "")


@dataclass(frozen=True)
class Measured(Number):
    """A number kept in the measure of ``quantity``, shown in the person's own."""

    _: KW_ONLY
    quantity: str = ""
    empty: str = tapward.NOTHING

    def text(self, value: Any, page: dict) -> object:
        """Return number and measure."""
        return tapward.measured(page, value, self.quantity)


@dataclass(frozen=True)
class Percent(Number):
    """A fraction, as whole percent; ``signed``: a change."""

    _: KW_ONLY
    signed: bool = False
    empty: str = tapward.NOTHING

    def text(self, value: Any, page: dict) -> object:
        """Return it with its sign."""
        return tapward.change(value) if self.signed else tapward.percent(value)


@dataclass(frozen=True)
class Wear(Column):
    """How much of a part's life is used, as a bar."""

    _: KW_ONLY
    governing: Read = ""
    css: str = "bar-cell"
    label: str | None = ""

    def inner(self, row: Any, page: dict, *, linked: bool = True) -> object:
        """Return the bar, also of what isn't known."""
        by = read(row, self.governing) if self.governing else ""
        bar = tapward.wear_bar(read(row, self.value), by)
        return render_to_string("parts/wear_bar.html", bar)


@dataclass(frozen=True)
class Mark(Column):
    """A state in a word, with a tone found from the row."""

    _: KW_ONLY
    tone: Read = ""

    def inner(self, row: Any, page: dict, *, linked: bool = True) -> object:
        """Return the mark and the line below it."""
        return self.with_line(mark(read(row, self.tone), read(row, self.value)), row, page)


@dataclass(frozen=True)
class Switch(Column):
    """Whether something is on: a mark for either."""

    _: KW_ONLY
    words: tuple[str, str] = ("", "")
    label: str | None = ""

    def text(self, value: Any, page: dict) -> object:
        """Return the mark."""
        return mark("good" if value else "off", self.words[0 if value else 1])


@dataclass(frozen=True)
class Translated(Column):
    """A sentence kept in English, in the reader's language, cut at ``most`` letters."""

    _: KW_ONLY
    most: int = 0

    def text(self, value: Any, page: dict) -> object:
        """Return it."""
        said = str(translate(value))
        return Truncator(said).chars(self.most) if self.most else said
