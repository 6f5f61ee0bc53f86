"""Lists declared once: a list's columns make the table of its page, its CSV and its XLSX."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import KW_ONLY, dataclass
from datetime import date
from decimal import Decimal
from typing import Any, ClassVar, Final, TypeAlias

from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.template.defaultfilters import floatformat
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext

from shared.roles import Permission, may
from shared.table_files import FileColumn, table_file

PLAIN: Final = (str, int, float, Decimal, date, type(None))
Read: TypeAlias = str | Callable[[Any], object]
"""A path (``site__name``: attributes, keys or calls, step by step) or a function of the row."""


def read(row: Any, value: Read) -> Any:
    """Return what stands at a path of a row."""
    if callable(value):
        return value(row)
    if isinstance(row, dict) and value in row:
        return row[value]
    for step in value.split("__"):
        if row is None:
            return None
        row = row[step] if isinstance(row, dict) else getattr(row, step)
        row = row() if callable(row) else row
    return row


@dataclass(frozen=True)
class Column:
    """One column: heading, value, and how the page shows it. Kinds of value are subclasses with ``text``."""

    title: str
    value: Read = ""
    _: KW_ONLY
    only: str = ""
    """``page`` or ``file``: not in the other."""
    in_file: str = ""
    """Its heading in files, where that differs."""
    label: str | None = None
    """What stands before it on a phone: the heading, where nothing else is said."""
    show: str | Callable[[Any, dict], object] | None = None
    """A template with ``row``, or a function of row and page's context, in place of the value's own look."""
    link: tuple[str, ...] | Callable[[Any, dict], str] = ()
    """Name of an address and the paths of its arguments."""
    link_says: Callable[[Any, dict], str] | None = None
    """What the link is called by ear, where its text says too little."""
    link_css: str = ""
    before: Callable[[Any, dict], object] | None = None
    """What stands before it, e.g. a tick."""
    under: str | Callable[[Any, dict], object] = ""
    """A small line below."""
    empty: str = ""
    """What stands for no value."""
    sort: str = ""
    unseen: bool = False
    """Its heading is said, not shown."""
    head: bool = False
    """The heading of its row."""
    sums: bool = False
    """Shown in the row of totals."""
    needs: Permission | None = None
    link_needs: Permission | None = None
    css: str = ""
    place: int = 0
    """Where the page has another order than the file: columns of a higher place come later there."""

    is_money: ClassVar[bool] = False
    is_number: ClassVar[bool] = False

    def plain(self, row: Any) -> object:
        """Return the value for a file."""
        value = read(row, self.value)
        return value if isinstance(value, PLAIN) else str(value)

    def text(self, value: Any, page: dict) -> object:
        """Return the value as the page shows it."""
        return (gettext("yes") if value else gettext("no")) if isinstance(value, bool) else value

    def inner(self, row: Any, page: dict, *, linked: bool = True) -> object:
        """Return what stands in a cell."""
        own = self.show if linked or not isinstance(row, dict) else None
        if isinstance(own, str):
            return render_to_string(own, {**page, "row": row})
        value = read(row, self.value) if self.value else None
        shown = own(row, page) if own else None if value is None else self.text(value, page)
        shown = self.empty if shown is None or shown == "" else shown
        if not linked:
            return shown
        if address := self._address(row, page):
            css = format_html(' class="{}"', self.link_css) if self.link_css else ""
            said = self.link_says(row, page) if self.link_says else ""
            said = format_html(' aria-label="{}"', said) if said else ""
            shown = format_html('<a{} href="{}"{}>{}</a>', css, address, said, shown)
        if self.before:
            shown = format_html("{}{}", self.before(row, page), shown)
        return self.with_line(shown, row, page)

    def with_line(self, shown: object, row: Any, page: dict) -> object:
        """Return what is shown with the small line below it."""
        under = self.under(row, page) if callable(self.under) else read(row, self.under) if self.under else ""
        return format_html('{}<span class="under">{}</span>', shown, under) if under else shown

    def _address(self, row: Any, page: dict) -> str:
        if self.link_needs and not may(page["request"].user.role, self.link_needs):
            return ""
        if callable(self.link):
            return self.link(row, page)
        given = [read(row, path) for path in self.link[1:]]
        return reverse(self.link[0], args=given) if self.link and all(given) else ""


@dataclass(frozen=True)
class Number(Column):
    """A number at the right; with ``places`` it is rounded and grouped."""

    places: int | None = None
    is_number: ClassVar[bool] = True

    def text(self, value: Any, page: dict) -> object:
        """Return it in figures."""
        return value if self.places is None else floatformat(value, f"{self.places}g")


@dataclass(frozen=True)
class Money(Number):
    """An amount: two places, in files with the look of money."""

    places: int | None = 2
    is_money: ClassVar[bool] = True


@dataclass(frozen=True)
class Header:
    """One heading as the page shows it."""

    title: str
    css: str
    url: str
    sorted_as: str


class Table:
    """A list: what it is called and its columns, in the order of the file."""

    every: ClassVar[list["Table"]] = []

    def __init__(
        self, label: str, *columns: Column, file: str = "", stack: bool = True, zone: Read = "",
        beside_heading: bool = False, caption: str = "", total: str = "", css: str = "",
    ) -> None:  # fmt: skip
        self.label, self.columns, self.file, self.stack, self.zone = label, columns, file, stack, zone
        self.beside_heading, self.caption, self.total, self.css = beside_heading, caption, total, css
        Table.every.append(self)

    def of(self, rows: Iterable, **more: Any) -> "Listed":
        """Return the list with its rows."""
        return Listed(self, rows, **more)


@dataclass(frozen=True)
class Listed:
    """A list with the rows of one page; ``every`` gives those of the file, where they are more."""

    table: Table
    rows: Iterable
    _: KW_ONLY
    every: Callable[[], Iterable] | None = None
    file: str = ""
    sort: str = ""
    total: Any = None
    """What has the totals, read by the columns as a row is."""
    total_title: str = ""
    more: tuple[Column, ...] = ()
    """Columns that this list has beside the declared ones, e.g. one for each month."""
    label: str = ""
    caption: str = ""

    @property
    def said(self) -> str:
        """Return what the list is called."""
        return self.label or self.table.label

    def columns(self, request: HttpRequest, only: str) -> list[Column]:
        """Return the columns that this person sees on the page or in the file."""
        seen = [
            one for one in (*self.table.columns, *self.more)
            if one.only in ("", only) and (one.needs is None or may(request.user.role, one.needs))
        ]  # fmt: skip
        return sorted(seen, key=lambda one: one.place) if only == "page" else seen

    def as_file(self, request: HttpRequest, form: str) -> HttpResponseBase:
        """Return all of it as CSV or XLSX."""
        columns = [
            FileColumn(str(one.in_file or one.title), one.plain, one.is_money)
            for one in self.columns(request, "file")
        ]
        rows = self.every() if self.every else self.rows
        return table_file(self.file or self.table.file, form, columns, rows)

    def on_page(self, page: dict) -> dict[str, Any]:
        """Return what ``parts/table.html`` shows."""
        columns = self.columns(page["request"], "page")
        foot, summed = "", [one for one in columns if one.sums]
        if self.total is not None and summed:
            cells = [_cell(one, self.total, page, self.table.stack, linked=False) for one in summed]
            foot = {
                "title": self.total_title or self.table.total,
                "span": len(columns) - len(summed),
                "cells": cells,
            }
        return {
            "table": self.table, "label": self.said, "foot": foot,
            "caption": self.caption or self.table.caption,
            "headers": [_header(one, page["request"], self.sort) for one in columns],
            "rows": self._rows(columns, page),
        }  # fmt: skip

    def _rows(self, columns: list[Column], page: dict) -> Iterator[list]:
        for row in self.rows:
            with timezone.override(read(row, self.table.zone) if self.table.zone else _zone()):
                yield [_cell(one, row, page, self.table.stack) for one in columns]


def _zone() -> Any:
    return timezone.get_current_timezone()


def _cell(column: Column, row: Any, page: dict, stack: bool, *, linked: bool = True) -> str:
    words = " ".join(filter(None, ("n" if column.is_number else "", column.css)))
    css = format_html(' class="{}"', words) if words else ""
    inner = column.inner(row, page, linked=linked)
    if column.head:
        return format_html('<th scope="row"{}>{}</th>', css, inner)
    label = ("" if column.unseen else column.title) if column.label is None else column.label
    marked = format_html(' data-label="{}"', label) if label and stack else ""
    return format_html("<td{}{}>{}</td>", marked, css, inner)


def _header(column: Column, request: HttpRequest, sort: str) -> Header:
    """A second press turns the order; numbers begin with the largest."""
    places = [word for word in column.css.split() if word in ("extra", "long", "wide-only")]
    key, css = column.sort, " ".join(["n"] * column.is_number + places)
    if not key:
        title = format_html('<span class="unseen">{}</span>', column.title) if column.unseen else column.title
        return Header(title, css, "", "")
    sorted_as = {key: "ascending", f"-{key}": "descending"}.get(sort, "")
    query = request.GET.copy()
    query.pop("page", None)
    is_turned = sorted_as == "ascending" or (column.is_number and not sorted_as)
    query["sort"] = f"-{key}" if is_turned else key
    return Header(column.title, css, f"{request.path}?{query.urlencode()}", sorted_as)


def asked_file(request: HttpRequest, form: str = "", **lists: Listed) -> HttpResponseBase | None:
    """Return the file asked for by ``as`` and ``list`` in this page's own address; None for the page itself.

    ``form``: this address is the file of the first list. Pages link them with the tag ``list_files``.
    """
    if form:
        return next(iter(lists.values())).as_file(request, form)
    form = request.GET.get("as", "")
    if not form or request.method != "GET":
        return None
    found = lists.get(request.GET.get("list", ""))
    if found is None:
        raise Http404(gettext("This page has no such list."))
    return found.as_file(request, form)


def render_or_export(
    request: HttpRequest, template: str, context: dict[str, Any], *, status: int = 200, form: str = "",
    **lists: Listed,
) -> HttpResponseBase:  # fmt: skip
    """Return the page, or the one of its lists that its own address asks for as a file."""
    return asked_file(request, form, **lists) or render(
        request, template, {**context, "lists": lists}, status=status
    )
