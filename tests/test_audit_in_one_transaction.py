"""An entry of the trail and what it tells of are written together or not at all."""

import ast
from pathlib import Path

import pytest
from django.urls import reverse

from fleet.people import audit
from scheduling.models import CalendarFeed, PlanPrice
from tests import factories as make

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("fleet", "scheduling", "api", "shared")
WRITES = ("note_change", "audit.note")
NO_CHANGE = {"shared/config/middleware.py"}
"""A file that went out is no row; the entry is all there is to write."""


def writers():
    """Yield (place, function, the functions around it) of every call that writes an entry."""
    for room in ROOMS:
        for file in sorted((ROOT / room).rglob("*.py")):
            name = str(file.relative_to(ROOT))
            if name not in NO_CHANGE:
                yield from _in(name, ast.parse(file.read_text()), [])


def _in(name, node, around):
    if isinstance(node, ast.FunctionDef):
        around = [*around, node]
    if isinstance(node, ast.Call) and _called(node) in _names(name) and around:
        yield f"{name}:{node.lineno}", around
    for child in ast.iter_child_nodes(node):
        yield from _in(name, child, around)


def _names(file):
    return (*WRITES, "self.note", "self.recorded") if file.startswith("api/") else WRITES


def _called(node):
    return ast.unparse(node.func)


def is_atomic(around):
    """Say whether a function around opens a transaction, by a decorator or a with."""
    for one in around:
        # An operation of the API is one transaction: tests/api/test_trail.py.
        opens = ("transaction.atomic", "operation(")
        if any(ast.unparse(decorator).startswith(opens) for decorator in one.decorator_list):
            return True
        opened = [item for part in ast.walk(one) if isinstance(part, ast.With) for item in part.items]
        if any("transaction.atomic" in ast.unparse(item.context_expr) for item in opened):
            return True
    return False


PASSES_ON = {
    "scheduling/pages/request_context.py", "fleet/people/services.py", "api/viewsets.py",
    "scheduling/crew/calendar_entries.py", "scheduling/crew/team.py", "scheduling/routes/leaving.py",
    "scheduling/billing/plan_changes.py", "fleet/people/accounts.py",
}  # fmt: skip
"""One helper each, called by functions that open the transaction."""
FOUND = [
    (place, around)
    for place, around in writers()
    if place.split(":")[0] not in PASSES_ON and around[-1].name != "recorded"
]


def test_there_are_writers_to_walk():
    assert len(FOUND) >= 12


@pytest.mark.parametrize(("place", "around"), FOUND, ids=[place for place, _ in FOUND])
def test_a_writer_writes_within_a_transaction(place, around):
    assert is_atomic(around), place


@pytest.fixture
def broken_trail(monkeypatch):
    def stop(*args, **kwargs):
        raise RuntimeError("the trail can not be written")

    monkeypatch.setattr(audit, "note", stop)


@pytest.mark.django_db
def test_no_price_is_set_that_the_trail_does_not_tell_of(client, broken_trail):
    plan = make.plan(make.site())
    before = PlanPrice.objects.count()
    client.force_login(make.person("owner"))
    with pytest.raises(RuntimeError):
        client.post(reverse("set_plan_price", args=[plan.code]), {"amount": "99.00", "from_on": "2027-01-01"})
    assert PlanPrice.objects.count() == before


@pytest.mark.django_db
def test_no_calendar_opens_that_the_trail_does_not_tell_of(client, broken_trail):
    technician = make.technician()
    client.force_login(technician.person)
    with pytest.raises(RuntimeError):
        client.post(reverse("my_calendar"), {"do": "new"})
    assert not CalendarFeed.objects.exists()


@pytest.mark.django_db
def test_no_token_is_made_that_the_trail_does_not_tell_of(client, broken_trail):
    owner = make.person("owner")
    client.force_login(owner)
    with pytest.raises(RuntimeError):
        client.post(reverse("own_tokens"), {"name": "Books", "days": 30, "permissions": ["see_fleet"]})
    assert not owner.api_tokens.exists()
