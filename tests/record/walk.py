"""Asks every address as one person and writes down what came: status, where to, heading, forms, tables."""

import csv
import io
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from http.cookies import SimpleCookie
from urllib.parse import parse_qs, urlsplit

from django.core.cache import cache
from django.db import transaction
from django.http import HttpResponse
from django.urls import Resolver404, URLResolver, get_resolver, resolve
from openpyxl import load_workbook

from tests.record.company import ELSEWHERE, Company

NOT_WALKED = ("admin/",)
"""A library's own pages."""
FORMS_OF_FILES = {"fleet/map/sites.<form>": ("csv", "geojson")}
"""Where a list comes in more forms than a spreadsheet's; CSV stands for XLSX, which has the same columns."""
PAGE_METHODS = ("GET", "POST")
API_METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
NAMED = re.compile(r"<(?:\w+:)?(\w+)>")
NAMED_GROUP = re.compile(r"\(\?P<(\w+)>[^)]*\)")
DIGITS = re.compile(r"\d+")
SHOWN_WITH_ERRORS = {400, 409, 422}
NOT_OF_THE_PAGE = {"csrfmiddlewaretoken"}


def addresses() -> dict[str, str]:
    """Return address → its name. ``<pk>`` stands for what a converter or a regular expression takes."""
    found = {}
    for text, name in _patterns(get_resolver()):
        for form in _forms(text):
            found.setdefault(text.replace("<form>", form), name)
    return found


def _forms(text: str) -> tuple[str, ...]:
    if not text.endswith("<form>"):
        return ("",)
    return next((forms for one, forms in FORMS_OF_FILES.items() if one == text), ("csv",))


def _patterns(resolver, begin: str = "") -> Iterator[tuple[str, str]]:
    for entry in resolver.url_patterns:
        text = begin + plain(str(entry.pattern))
        if text.startswith(NOT_WALKED):
            continue
        if isinstance(entry, URLResolver):
            yield from _patterns(entry, text)
        else:
            yield text, entry.name or ""


def plain(pattern: str) -> str:
    """Return a pattern without its converters: ``sites/<int:pk>`` and ``^sites/(?P<pk>\\d+)$`` are one."""
    text = NAMED_GROUP.sub(r"<\1>", pattern)
    if text != pattern or pattern.startswith("^"):
        text = text.removeprefix("^").removesuffix("$").removesuffix("\\Z").replace("\\", "")
    return NAMED.sub(r"<\1>", text)


def filled(address: str, keys: dict[str, list]) -> str:
    """Return an address with names put in."""
    holes = NAMED.findall(address)
    if not holes:
        return f"/{address}"
    begins = [begin for begin in keys if address.startswith(begin)]
    if not begins:
        raise LookupError(f"Nothing to put into {address}. Give it a line in Company.keys.")
    values = iter(keys[max(begins, key=len)])
    return "/" + NAMED.sub(lambda _: str(next(values)), address)


class Walker:
    """One person asking. What is written is taken back after each address."""

    def __init__(self, company: Company, who: str) -> None:
        self.client = company.client(who)
        self.cookies = self.client.cookies.output(header="", sep=";")
        self.keys, self.queries = company.keys(), company.queries()
        self.is_elsewhere = who.endswith(ELSEWHERE)

    def walk(self) -> dict[str, dict]:
        """Return "address METHOD" → what came. Who works elsewhere asks for what is the other branch's."""
        found: dict[str, dict] = {}
        for address in addresses():
            if self.is_elsewhere and "<" not in address:
                continue
            place = filled(address, self.keys) + self.queries.get(address, "")
            is_api = address.startswith("api/") and not address.endswith("/")
            for method in API_METHODS if is_api else PAGE_METHODS:
                answer, body = self._ask(method, place)
                found[f"{address} {method}"] = told(answer, body if method == "GET" else b"")
                lists = _lists(answer, body) if method == "GET" else {}
                for query, name in lists.items():
                    found[f"{address}?list={name} {method}"] = told(*self._ask("GET", place + query))
        return found

    def _ask(self, method: str, place: str) -> tuple[HttpResponse, bytes]:
        cache.clear()
        self.client.cookies = SimpleCookie(self.cookies)
        with transaction.atomic():
            is_json = method != "GET" and place.startswith("/api/")
            given = {"data": "{}", "content_type": "application/json"} if is_json else {}
            answer = self.client.generic(method, place, **given)
            body = answer.getvalue()
            transaction.set_rollback(True)
        return answer, body


def _lists(answer, body: bytes) -> dict[str, str]:
    """Return the lists that a page offers as CSV: address of the file → name of the list."""
    if answer.status_code != 200 or not _type(answer).startswith("text/html"):
        return {}
    page = Page(body.decode())
    asked = {link: parse_qs(urlsplit(link).query) for link in page.links if link.startswith("?")}
    return {link: query["list"][0] for link, query in asked.items() if query.get("as") == ["csv"]}


def told(answer, body: bytes) -> dict:
    """Return the status and, of what was let in, all that a person or program builds on."""
    came: dict = {"status": answer.status_code}
    if 300 <= answer.status_code < 400:
        return came | {"to": name_of(answer.headers.get("Location", ""))}
    if answer.status_code >= 400 and answer.status_code not in SHOWN_WITH_ERRORS:
        return came
    if not body:
        return came
    kind = _type(answer)
    if kind.startswith("text/html"):
        page = Page(body.decode())
        shown = {"h1": page.h1, "forms": page.forms(), "tables": page.tables}
        return came | {name: value for name, value in shown.items() if value}
    came["type"] = kind
    if kind.endswith("json"):
        came["keys"] = _keys(answer.json())
    elif kind == "text/csv":
        came["columns"] = next(csv.reader(io.StringIO(body.decode("utf-8-sig"))), [])
    elif kind.endswith("spreadsheetml.sheet"):
        came["columns"] = _sheet_heads(body)
    return came


def _type(answer) -> str:
    return answer.headers.get("Content-Type", "").split(";")[0]


def _sheet_heads(body: bytes) -> list:
    book = load_workbook(io.BytesIO(body), read_only=True)
    rows = {sheet.title: next(sheet.iter_rows(values_only=True), ()) for sheet in book}
    heads = {name: [cell for cell in row if cell is not None] for name, row in rows.items()}
    book.close()
    if len(heads) == 1:
        return next(iter(heads.values()))
    return [f"{name}: {', '.join(row)}" for name, row in heads.items()]


def _keys(data) -> list[str]:
    """Return the names in a JSON answer, those of a list's first row after the list's own."""
    if isinstance(data, list):
        return [f"[].{key}" for key in _keys(data[0])] if data else []
    if not isinstance(data, dict):
        return []
    names = set()
    for key, value in data.items():
        names.add(key)
        if isinstance(value, list | dict) and key not in ("detail", "message"):
            names |= {f"{key}.{inner}" for inner in _keys(value)}
    return sorted(DIGITS.sub("#", name) for name in names)


def name_of(location: str) -> str:
    """Return the name of the address that an answer leads to."""
    try:
        return resolve(urlsplit(location).path).url_name or "?"
    except Resolver404:
        return DIGITS.sub("#", location)


class Page(HTMLParser):
    """The heading, forms, tables and links of a page's own part."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.h1 = ""
        self.tables: list[str] = []
        self.links: list[str] = []
        self._forms: dict[str, set[str]] = {}
        self._by_id: dict[str, str] = {}
        self._form = "page"
        self._heads: list[str] | None = None
        self._text: list[str] | None = None
        self._is_in_main = "<main" not in text
        self.feed(text)

    def forms(self) -> list[str]:
        """Return each form as "where to: names of its fields"."""
        return [f"{to}: {' '.join(sorted(names))}" for to, names in sorted(self._forms.items()) if names]

    def handle_starttag(self, tag: str, attrs: list) -> None:
        """Note what begins."""
        given = dict(attrs)
        if tag == "main":
            self._is_in_main = True
        elif not self._is_in_main:
            return
        elif tag == "form":
            target = given.get("action") or given.get("hx-post") or ""
            self._form = f"{given.get('method', 'get').upper()} {name_of(target) if target else 'here'}"
            if "id" in given:
                self._by_id[given["id"]] = self._form
        elif tag in ("input", "select", "textarea", "button") and given.get("name"):
            if given["name"] not in NOT_OF_THE_PAGE:
                where = self._by_id.get(given.get("form", ""), self._form)
                self._forms.setdefault(where, set()).add(DIGITS.sub("#", given["name"]))
        elif tag == "a" and given.get("href"):
            self.links.append(given["href"])
        elif tag == "thead":
            self._heads = []
        elif tag in ("h1", "th"):
            self._text = []

    def handle_endtag(self, tag: str) -> None:
        """Keep what has ended."""
        if tag == "main":
            self._is_in_main = False
        elif tag == "form":
            self._form = "page"
        elif tag == "thead" and self._heads is not None:
            self.tables.append(" | ".join(self._heads))
            self._heads = None
        elif tag in ("h1", "th") and self._text is not None:
            words = " ".join("".join(self._text).split())
            if tag == "h1":
                self.h1 = self.h1 or DIGITS.sub("#", words)
            elif self._heads is not None:
                self._heads.append(words)
            self._text = None

    def handle_data(self, data: str) -> None:
        """Gather the words of a heading."""
        if self._text is not None:
            self._text.append(data)
