"""The pure rooms explain themselves: docstrings, parameters, units, and the page of names."""

import ast
import re
from dataclasses import dataclass

import pytest

from fleet.science import columns, laws, performance, scaling
from scheduling.planning.problem import PinLevel

SCIENCE, PLANNING, MONEY = "fleet/science", "scheduling/planning", "scheduling/money"
PURE_NUMBERS = {"arrays", "change", "grouping", "series"}
"""Statistics and sorting that work in whatever measure they are given."""
MEASURELESS = {"wear_basis.positive", "meter_faults.is_sure"}
"""Take any numbers, or give yes and no."""
STILL_WITHOUT_PARAMETERS = {"feed_water.TestIndex.rows_with"}
"""The same."""
SELF_EXPLAINING = re.compile(
    r"^(is|has|needs|ran|saw)_"
    r"|_(gal|gpm|psi|c|k|mg_l|mg_h_l|us_cm|ntu|grains|ft3|d|days|months|hours|min|minutes|s|per_day|per_week"
    r"|on|at|m|km|row|id|share|fraction|change|z)$"
)


@dataclass(frozen=True)
class Item:
    """One public function or class of a room."""

    room: str
    module: str
    name: str
    node: ast.FunctionDef | ast.ClassDef

    @property
    def label(self) -> str:
        """Say where it is."""
        return f"{self.module}.{self.name}"

    @property
    def text(self) -> str:
        """Return the docstring, empty when there is none."""
        return ast.get_docstring(self.node) or ""


def items_of(rootpath, *rooms):
    for room in rooms:
        for path in sorted((rootpath / room).glob("*.py")):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            yield from _items(room, path.stem, tree.body, "")


def _items(room, module, body, prefix):
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield Item(room, module, prefix + node.name, node)
            if isinstance(node, ast.ClassDef):
                yield from _items(room, module, node.body, f"{node.name}.")


def functions_of(rootpath, *rooms):
    return [item for item in items_of(rootpath, *rooms) if isinstance(item.node, ast.FunctionDef)]


def arguments(node):
    args = node.args
    every = [*args.posonlyargs, *args.args, args.vararg, *args.kwonlyargs, args.kwarg]
    return [one.arg for one in every if one is not None and one.arg not in ("self", "cls")]


def documented(text):
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\S[^\n]*\n-+$|\Z)", text, re.DOTALL | re.MULTILINE)
    if section is None:
        return None
    heads = re.findall(r"^(\S[^:\n]*?) :", section[1], re.MULTILINE)
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


@pytest.fixture
def root(request):
    return request.config.rootpath


def test_everything_public_in_the_pure_rooms_has_a_docstring(root):
    found = list(items_of(root, SCIENCE, PLANNING, MONEY))
    assert len(found) > 200
    silent = {item.label for item in found if not item.text}
    assert sorted(silent) == []


def test_every_module_of_the_pure_rooms_says_what_it_is_for(root):
    paths = [
        path
        for room in (SCIENCE, PLANNING, MONEY)
        for path in (root / room).glob("*.py")
        if path.stat().st_size
    ]
    assert [path.name for path in paths if not ast.get_docstring(ast.parse(path.read_text("utf-8")))] == []


def test_parameters_of_the_science_are_documented_one_for_one(root):
    """In the order of the signature, none left out, none left over."""
    wrong = {
        item.label: (documented(item.text), arguments(item.node))
        for item in functions_of(root, SCIENCE, MONEY)
        if arguments(item.node)
        and documented(item.text) != arguments(item.node)
        and item.label not in STILL_WITHOUT_PARAMETERS
    }
    assert wrong == {}


def test_parameters_the_planner_documents_exist(root):
    stale = {
        item.label: set(documented(item.text) or ()) - set(arguments(item.node))
        for item in functions_of(root, PLANNING)
        if set(documented(item.text) or ()) - set(arguments(item.node))
    }
    assert stale == {}


def test_science_functions_of_arrays_name_their_units(root):
    silent = [
        item.label
        for item in functions_of(root, SCIENCE, MONEY)
        if item.module not in PURE_NUMBERS
        and item.label not in MEASURELESS
        and re.search(r"ArrayLike|Floats", ast.unparse(item.node.args))
        and not re.search(r"\[[^\]\n]+\]", item.text)
    ]
    assert silent == []


def is_dataclass(node):
    return any("dataclass" in ast.dump(decorator) for decorator in node.decorator_list)


def fields_of(item):
    """Yield (name, has a docstring of its own) for each public field."""
    for field, following in zip(item.node.body, [*item.node.body[1:], None], strict=True):
        if isinstance(field, ast.AnnAssign) and not field.target.id.startswith("_"):
            own = isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant)
            yield field.target.id, own


def test_every_field_is_explained_in_place_by_its_unit_or_on_the_page_of_names(root):
    names = set(re.findall(r"`([a-z0-9_]+)`", (root / "shared/NAMES.md").read_text("utf-8")))
    unexplained = []
    for item in items_of(root, SCIENCE, PLANNING, MONEY):
        if isinstance(item.node, ast.ClassDef) and is_dataclass(item.node):
            for field, has_own in fields_of(item):
                in_class = re.search(rf"\b{field}\b", item.text)
                if not (has_own or in_class or SELF_EXPLAINING.search(field) or field in names):
                    unexplained.append(f"{item.label}.{field}")
    assert unexplained == []


def listed_values(root):
    page = (root / "shared/NAMES.md").read_text("utf-8")
    section = page.split("### Values in columns")[1].split("\n## ")[0]
    rows = re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", section, re.MULTILINE)
    return {
        name: {re.sub(r" \(.*\)$", "", word.strip()) for word in re.split("[,;]", words)}
        for name, words in rows
    }


@pytest.mark.parametrize(
    ("row", "values"),
    [
        ("part role", columns.PartRole),
        ("water", columns.Water),
        ("membrane type", columns.MembraneType),
        ("limit", columns.Limit),
        ("meter fault", columns.UseFault),
        ("readiness", columns.Readiness),
        ("owed flush", columns.OwedFlush),
        ("flush kind", columns.FlushKind),
        ("pattern", columns.Pattern),
        ("scale", scaling.ScaleKind),
        ("reading form", performance.ReadingForm),
        ("pin level", PinLevel),
        ("standing of a law", laws.Standing),
    ],
)
def test_the_page_of_names_lists_the_values_the_code_knows(root, row, values):
    assert listed_values(root)[row] == {value.name.lower().replace("_", " ") for value in values}


def test_quantities_on_the_page_of_names_exist_in_the_code(root):
    """A row without code behind it has been left behind."""
    page = (root / "shared/NAMES.md").read_text("utf-8")
    section = page.split("## Quantities")[1].split("\n## ")[0]
    names = {
        name
        for cell in re.findall(r"^\| ([^|]+) \|", section, re.MULTILINE)
        for name in re.findall(r"`(\w+)`", cell)
    }
    code = "\n".join(path.read_text("utf-8") for path in (root / SCIENCE).glob("*.py"))
    assert len(names) > 80
    assert sorted(name for name in names if not re.search(rf"\b{name}(_d)?\b", code)) == []
