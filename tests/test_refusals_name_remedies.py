"""Walks every refusal in the code: each says what is wrong and what would cure it."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("shared", "fleet", "scheduling", "api")
REFUSALS = {"DomainError": 1, "RowProblem": 5, "Refusal": 2}
"""Each kind of refusal, and where its remedy stands when it is not named."""


def refusals() -> list[tuple[str, ast.Call]]:
    """Every place that makes a refusal: file and line, and the call."""
    found = []
    for room in ROOMS:
        for file in sorted((ROOT / room).rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text())):
                if isinstance(node, ast.Call) and _name(node) in REFUSALS:
                    found.append((f"{file.relative_to(ROOT)}:{node.lineno}", node))
    return found


def _name(call: ast.Call) -> str:
    return getattr(call.func, "id", getattr(call.func, "attr", ""))


def remedy_of(call: ast.Call) -> ast.expr | None:
    named = [one.value for one in call.keywords if one.arg == "remedy"]
    place = REFUSALS[_name(call)]
    # DomainError takes its remedy only by name.
    by_place = call.args[place : place + 1] if _name(call) != "DomainError" else []
    return next(iter([*named, *by_place]), None)


def says_something(remedy: ast.expr | None) -> bool:
    if isinstance(remedy, ast.Constant):
        return isinstance(remedy.value, str) and len(remedy.value.split()) >= 2
    return remedy is not None


def test_there_are_refusals_to_walk():
    assert len(refusals()) > 200


def test_every_refusal_names_its_remedy():
    without = []
    for place, call in refusals():
        passes_all_on = any(one.arg is None for one in call.keywords)
        if not passes_all_on and not says_something(remedy_of(call)):
            without.append(f"{place}: {ast.unparse(call)[:100]}")
    assert without == []


@pytest.mark.parametrize(
    "text", ['DomainError("No.")', 'DomainError("No.", remedy="")', 'DomainError("No.", remedy="x")']
)
def test_the_walk_finds_a_refusal_without_a_remedy(text):
    call = ast.parse(text).body[0].value
    assert not says_something(remedy_of(call))
