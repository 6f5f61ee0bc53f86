"""How many of the project's files six journeys run through, and how deep.

A file runs when one of its functions is called: module and class bodies, migrations and tests do not count.
The depth is the greatest number of different files on the call stack at once. Every journey begins at its
door, an address, a command or a task; the web's own frame (middlewares, navigation, access) is part of it.
The first walk of a process counts, with nothing in any cache, after one that has only loaded the modules.
"""

import contextlib
import inspect
import io
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import time_machine
from celery import current_app
from django.apps import apps
from django.conf import settings
from django.core.cache import cache
from django.core.management import call_command
from django.db import connection, transaction
from django.test.utils import setup_test_environment, teardown_test_environment
from django.urls import reverse
from openpyxl import Workbook

from shared.roles import Role
from tests.record.company import NOW, TODAY, Company
from tests.scheduling.small_fleet import sheets
from tests.structure.files import PACKAGES, ROOT

IS_FUNCTION = inspect.CO_OPTIMIZED
TYPED = {
    "outcome": "done",
    "minutes": "40",
    "flush_volume": "25",
    "flush_minutes": "20",
    "flush_clear": "yes",
}
"""What the technician writes; all else stays as the page has it, steps ticked."""


@dataclass
class Counted:
    """Files whose functions ran, and the deepest stack of different ones."""

    files: set[str] = field(default_factory=set)
    deepest: tuple[str, ...] = ()
    _stack: Counter = field(default_factory=Counter)

    @contextlib.contextmanager
    def counting(self) -> Iterator[None]:
        """Watch every call within."""
        self._stack = Counter()
        sys.setprofile(self._seen)
        try:
            yield
        finally:
            sys.setprofile(None)

    def _seen(self, frame, event: str, _argument) -> None:
        if event not in ("call", "return"):
            return
        code = frame.f_code
        name = _project_file(code.co_filename)
        if name is None or not code.co_flags & IS_FUNCTION:
            return
        if event == "call":
            self.files.add(name)
            self._stack[name] += 1
            if len(self._stack) > len(self.deepest):
                self.deepest = tuple(self._stack)
        elif self._stack[name] > 1:
            self._stack[name] -= 1
        else:
            del self._stack[name]


_known: dict[str, str | None] = {}


def _project_file(path: str) -> str | None:
    if path not in _known:
        place = Path(path)
        name = place.relative_to(ROOT).as_posix() if place.is_relative_to(ROOT) else ""
        is_ours = name.split("/")[0] in PACKAGES and "/migrations/" not in name
        _known[path] = name if is_ours else None
    return _known[path]


def journeys() -> dict[str, Counted]:
    """Walk all six over a company in a database of its own; each is taken back.

    With TAPWARD_DATA_DIR the database stays there for the next time.
    """
    setup_test_environment()
    own_name = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, keepdb=True)
    try:
        with time_machine.travel(NOW, tick=False), tempfile.TemporaryDirectory() as folder:
            settings.MEDIA_ROOT = folder
            with transaction.atomic():
                found = {name: _walked(walk, Company()) for name, walk in WALKS.items()}
                transaction.set_rollback(True)
    finally:
        connection.creation.destroy_test_db(own_name, verbosity=0, keepdb=True)
        teardown_test_environment()
    return found


def _walked(walk: Callable[[Company, Counted], None], company: Company) -> Counted:
    counted = Counted()
    for one in (Counted(), counted):
        cache.clear()
        with transaction.atomic(), contextlib.redirect_stdout(io.StringIO()):
            walk(company, one)
            transaction.set_rollback(True)
    return counted


def _task(name: str):
    current_app.loader.import_default_modules()
    return next(task for full, task in current_app.tasks.items() if full.split(".")[-1] == name)


def _command(counted: Counted, *words: str) -> None:
    with counted.counting():
        call_command(*words, stdout=io.StringIO(), stderr=io.StringIO())


def _import(_company: Company, counted: Counted) -> None:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets().items():
        sheet = book.create_sheet(name)
        heads = list(dict.fromkeys(head for row in rows for head in row))
        for row in [heads, *([row.get(head) for head in heads] for row in rows)]:
            sheet.append(row)
    with tempfile.TemporaryDirectory() as folder:
        book.save(path := f"{folder}/fleet.xlsx")
        _command(counted, "import_fleet", path)


def _shard(company: Company, counted: Counted) -> None:
    units = sorted([company.unit.pk, company.second_unit.pk])
    run = apps.get_model("fleet.AssessmentRun").objects.create(started_at=NOW, as_of=NOW, is_full=True)
    shard = apps.get_model("fleet.AssessmentShard").objects.create(
        run=run, first_unit_id=units[0], last_unit_id=units[-1]
    )
    with counted.counting():
        _task("assess_shard")(shard_id=shard.pk)


def _raise(_company: Company, counted: Counted) -> None:
    with counted.counting():
        _task("raise_work")()


def _plan(_company: Company, counted: Counted) -> None:
    monday = TODAY + timedelta(days=7)
    _command(counted, "plan_routes", "--from", monday.isoformat(), "--seconds", "1")


def _close_out(company: Company, counted: Counted) -> None:
    client = company.client(Role.TECHNICIAN)
    place = reverse("close_out", args=[company.order.pk])
    sent = Typed(client.get(place).content.decode()).sent | TYPED
    with counted.counting():
        answer = client.post(place, sent)
    if answer.status_code != 302:
        raise SystemExit(f"The close-out answered {answer.status_code}. Bring TYPED up to date.")


def _revenue(company: Company, counted: Counted) -> None:
    client = company.client(Role.OWNER)
    with counted.counting():
        answer = client.get("/revenue/")
    if answer.status_code != 200:
        raise SystemExit(f"The revenue page answered {answer.status_code}.")


WALKS: dict[str, Callable[[Company, Counted], None]] = {
    "import a workbook": _import,
    "assess one shard": _shard,
    "raise work": _raise,
    "plan a week": _plan,
    "close-out": _close_out,
    "revenue page": _revenue,
}


class Typed(HTMLParser):
    """What a page's fields would send as they stand, with every step ticked."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.sent: dict[str, str] = {}
        self._select = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        """Take a field's value."""
        given = dict(attrs)
        name, kind = given.get("name", ""), given.get("type", "text")
        if tag == "select":
            self._select = name
        elif tag == "option" and self._select and ("selected" in given or self._select not in self.sent):
            self.sent[self._select] = given.get("value") or ""
        elif tag == "input" and name and kind not in ("file", "submit", "radio"):
            if kind != "checkbox" or "checked" in given or name.startswith("step"):
                self.sent[name] = given.get("value") or ("on" if kind == "checkbox" else "")
        elif tag == "input" and kind == "radio" and "checked" in given:
            self.sent[name] = given.get("value") or ""
        elif tag == "textarea" and name:
            self.sent[name] = ""

    def handle_endtag(self, tag: str) -> None:
        """A select is over."""
        if tag == "select":
            self._select = ""
