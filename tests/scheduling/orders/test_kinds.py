"""The register of kinds of work: whole, and the only place that knows how kinds differ."""

import ast
from dataclasses import MISSING, fields

import pytest

from fleet.models import FindingKind
from scheduling.models import OrderKind
from scheduling.orders.kinds import KIND_OF_FINDING, WORK_KINDS, WorkKind
from scheduling.orders.steps import ASKS
from tests.structure.files import ROOT, python_files

NAMES_A_KIND = {"scheduling/orders/kinds.py"}
"""The register itself."""


def test_every_kind_has_an_entry_and_every_finding_raises_exactly_one():
    assert set(WORK_KINDS) == set(OrderKind)
    assert set(KIND_OF_FINDING) == set(FindingKind)
    assert sum(len(one.raised_from) for one in WORK_KINDS.values()) == len(FindingKind)


def test_a_field_forgotten_fails_when_the_register_is_read():
    assert all(one.default is MISSING and one.default_factory is MISSING for one in fields(WorkKind))
    one = WORK_KINDS[OrderKind.READING]
    given = {field.name: getattr(one, field.name) for field in fields(WorkKind)}
    del given["late_weight"]
    with pytest.raises(TypeError, match="late_weight"):
        WorkKind(**given)


def test_no_other_module_behaves_by_a_named_kind():
    found = set()
    for path in python_files("scheduling", "api", "fleet", "shared"):
        names_one = any(
            isinstance(node, ast.Attribute)
            and node.attr in OrderKind.names
            and isinstance(node.value, ast.Name)
            and node.value.id == "OrderKind"
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        )
        if names_one:
            found.add(path.relative_to(ROOT).as_posix())
    assert found == NAMES_A_KIND


@pytest.mark.parametrize("kind", WORK_KINDS.values(), ids=list(WORK_KINDS))
def test_what_a_step_asks_for_can_be_kept_when_its_sheet_is_edited(kind):
    assert {step.asks for step in kind.steps} <= set(ASKS)
