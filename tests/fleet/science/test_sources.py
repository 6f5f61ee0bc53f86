"""The table of laws against the code it speaks of."""

import ast
import importlib
import re

import pytest

from fleet.science.laws import Standing
from fleet.science.sources import LAWS, law, laws_of


def functions_with_a_source(rootpath):
    for path in sorted((rootpath / "fleet/science").glob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                text = ast.get_docstring(node) or ""
                if re.search(r"^Source\n-+$", text, re.MULTILINE):
                    yield f"{path.stem}.{node.name}"


def test_every_function_that_names_a_source_is_in_the_table(request):
    named = list(functions_with_a_source(request.config.rootpath))
    assert len(named) > 30
    assert [function for function in named if not laws_of(function)] == []


@pytest.mark.parametrize("entry", LAWS, ids=lambda entry: entry.key)
def test_every_law_speaks_of_code_that_exists(entry):
    for function in entry.used_in:
        module, name = function.split(".")
        assert callable(getattr(importlib.import_module(f"fleet.science.{module}"), name)), function


@pytest.mark.parametrize("entry", LAWS, ids=lambda entry: entry.key)
def test_every_law_is_stated_in_full(entry):
    texts = (entry.name, entry.equation, entry.valid_range, entry.outside_range, entry.source)
    assert all(text.strip() for text in texts)
    assert entry.used_in
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", entry.key)


def test_keys_are_unique_and_found():
    assert len({entry.key for entry in LAWS}) == len(LAWS)
    assert law("ewma").standing is Standing.PUBLISHED
    with pytest.raises(KeyError):
        law("phlogiston")


def test_a_source_that_speaks_of_memory_or_practice_is_not_sold_as_more():
    """A law that rests on memory alone may not be called published."""
    for entry in LAWS:
        if entry.standing is Standing.PUBLISHED:
            assert not entry.source.lower().startswith(("our ", "value from memory", "common practice")), (
                entry.key
            )
