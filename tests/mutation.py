"""Would a test notice? Breaks a seeded sample of places, one at a time, by cosmic-ray's operators.

    python -m tests.mutation --sample 300 --seed 1 [--only checker] [--part 1/2]

Works on a copy of the tree, so that nothing broken stays behind. Each mutant meets only the tests that matter
for its file (``MATTERS``), in a child forked from a process that has the libraries loaded. Prints survivors
as they come and the score at the end; the exit code is 1 below ``--at-least``.
"""

import argparse
import ast
import compileall
import contextlib
import importlib
import os
import random
import resource
import shutil
import sys
import tempfile
from fnmatch import fnmatch
from pathlib import Path
from py_compile import PycInvalidationMode

import pytest
from cosmic_ray.commands.init import init
from cosmic_ray.mutating import use_mutation
from cosmic_ray.plugins import get_operator
from cosmic_ray.work_db import WorkDB

MATTERS: list[tuple[str, list[str], list[str]]] = [
    ("checker", ["scheduling/planning/checker.py"], ["scheduling/planning/test_checker.py"]),
    ("raising", ["scheduling/orders/raising.py", "scheduling/orders/contents.py",
                 "scheduling/orders/kinds.py"],
     ["scheduling/orders/test_raise_work.py"]),
    ("close-out", ["scheduling/visits/close_out.py", "scheduling/visits/checks.py",
                   "scheduling/visits/form.py"],
     ["scheduling/visits/test_close_outs.py", "scheduling/visits/test_undo.py",
      "scheduling/visits/test_pages_phone.py"]),
    ("billing", ["scheduling/billing/revenue.py", "scheduling/billing/invoicing.py",
                 "scheduling/billing/payments.py", "scheduling/contracts/plans.py"],
     ["scheduling/billing/test_revenue.py", "scheduling/billing/test_invoicing.py",
      "scheduling/billing/test_paid.py", "scheduling/contracts/test_included_visits.py",
      "scheduling/contracts/test_plan_changes.py", "scheduling/contracts/test_plan_terms.py"]),
    ("access", ["api/permissions.py", "shared/access.py", "shared/roles.py"],
     ["api/test_access.py", "api/test_tokens.py", "test_access.py", "fleet/people/test_log_in.py"]),
    ("wear", ["fleet/science/wear*.py", "fleet/science/due_dates.py", "fleet/science/readiness.py"],
     ["fleet/science/test_wear.py", "fleet/science/test_due_dates.py", "fleet/science/test_readiness.py"]),
]  # fmt: skip
"""Name, files that are broken, test files (under tests/) that should notice. The one place to change."""

ROOT = Path(__file__).resolve().parent.parent
HEAVY = {
    "numpy", "pandas", "scipy", "lifelines", "autograd", "pyvrp", "openpyxl", "PIL", "celery", "kombu",
    "fpdf", "fontTools", "playwright", "cryptography", "vl_convert", "icalendar",
}  # fmt: skip
"""Loaded once, not for every mutant."""
BITS = {"BitOr", "BitAnd", "BitXor", "LShift", "RShift"}
CPU_SECONDS = 200
"""A mutant that runs longer runs for ever. Of the processor, so that a busy machine kills none."""


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sample", type=int, default=60)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", help="one subject by its name")
    asked.add_argument(
        "--part", default="1/1", help="e.g. 2/3: every third mutant of the sample, from the second"
    )
    asked.add_argument("--at-least", type=float, default=0, metavar="PERCENT")
    options = asked.parse_args()
    part, parts = map(int, options.part.split("/"))
    with tempfile.TemporaryDirectory() as folder:
        _enter_copy(Path(folder))
        sample = _sample(options.only, options.sample, options.seed)[part - 1 :: parts]
        _prepare(Path(folder), {tuple(tests) for *_, tests in sample})
        survived = 0
        for number, (name, mutation, tests) in enumerate(sample, start=1):
            operator = get_operator(mutation.operator_name)(**mutation.operator_args)
            with use_mutation(mutation.module_path, operator, mutation.occurrence) as (before, after):
                lives = _run(Path(folder), tests) == 0
            survived += lives
            if lives:
                _tell(name, mutation, before, after)
            print(f"{number}/{len(sample)}: {survived} survived", file=sys.stderr, flush=True)
    score = 100 * (1 - survived / max(len(sample), 1))
    print(f"{score:.1f} % of {len(sample)} mutants were noticed (seed {options.seed}, part {options.part}).")
    sys.exit(score < options.at_least)


def _enter_copy(folder: Path) -> None:
    ignored = shutil.ignore_patterns(".venv", ".git", "__pycache__", "node_modules", "var")
    shutil.copytree(ROOT, folder / "tree", ignore=ignored)
    os.chdir(folder / "tree")
    # By content: a mutant of the same second and size must not meet the compiled original.
    compileall.compile_dir(".", quiet=1, invalidation_mode=PycInvalidationMode.CHECKED_HASH)
    sys.dont_write_bytecode = True
    sys.path[:] = [str(folder / "tree"), *(path for path in sys.path if Path(path or ".").resolve() != ROOT)]
    sys.modules.pop("tests", None)
    os.environ |= {"TAPWARD_TEST_ON": "sqlite", "TAPWARD_DATA_DIR": str(folder / "data"), "CI": ""}
    (folder / "data").mkdir()


def _sample(only: str | None, size: int, seed: int) -> list[tuple]:
    """Return places in random order, each with one of the ways to break it: else arithmetic would outvote."""
    places: dict[tuple, list] = {}
    for name, patterns, tests in MATTERS:
        if only in (None, name):
            for path in sorted(
                p for p in Path().rglob("*.py") if any(fnmatch(str(p), one) for one in patterns)
            ):
                annotations = _annotations(path)
                db = WorkDB(":memory:", WorkDB.Mode.create)
                init([path], db, {})
                for item in db.work_items:
                    (mutation,) = item.mutations
                    if _is_plausible(mutation, annotations):
                        place = (name, str(path), mutation.start_pos, mutation.end_pos)
                        places.setdefault(place, []).append((name, mutation, tests))
    dice = random.Random(seed)
    chosen = dice.sample(sorted(places), min(size, len(places)))
    print(f"{len(chosen)} of {len(places)} places are broken.", file=sys.stderr)
    return [
        dice.choice(sorted(places[one], key=lambda m: (m[1].operator_name, m[1].occurrence)))
        for one in chosen
    ]


def _annotations(path: Path) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return where annotations stand: what breaks there says nothing about behaviour."""
    tree = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    told = [
        child for node in tree for name in ("annotation", "returns") if (child := getattr(node, name, None))
    ]
    return [((one.lineno, one.col_offset), (one.end_lineno, one.end_col_offset)) for one in told]


def _is_plausible(mutation, annotations: list) -> bool:
    """Whether somebody could have written it: no bits of a float, no identity of numbers."""
    if any(begin <= mutation.start_pos and mutation.end_pos <= end for begin, end in annotations):
        return False
    kind, _, change = mutation.operator_name.partition("/")[2].partition("_")
    old, _, new = change.partition("_")
    if kind == "ReplaceBinaryOperator":
        return (old in BITS) == (new in BITS) and "Shift" not in new
    if kind == "ReplaceComparisonOperator":
        return ("Is" in old) == ("Is" in new) and ("In" in (old, old[3:])) == ("In" in (new, new[3:]))
    return kind != "RemoveDecorator"


def _prepare(folder: Path, kinds: set[tuple[str, ...]]) -> None:
    """Load what tests load anyway, make the database once, and see every test file pass unbroken."""
    listing = folder / "modules"
    for tests in sorted(kinds):
        if _run(folder, list(tests), listing) != 0:
            sys.exit(f"These tests fail, or are none, with nothing broken: {' '.join(tests)}")
        for module in listing.read_text().split():
            if module.partition(".")[0] in HEAVY:
                with contextlib.suppress(Exception):
                    importlib.import_module(module)


def _run(folder: Path, tests: list[str], listing: Path | None = None) -> int:
    """Run tests in a child and return pytest's exit code, or that of a kill."""
    database, pristine = folder / "data" / "test.sqlite3", folder / "pristine.sqlite3"
    if pristine.exists():
        shutil.copy(pristine, database)
    child = os.fork()
    if child == 0:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
        out = os.open(folder / "output", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        code = 70
        with contextlib.suppress(BaseException):
            paths = [f"tests/{test}" for test in tests]
            code = pytest.main(
                ["-q", "-x", "-n0", "--reuse-db", "-pno:cacheprovider", "-mnot browser and not slow", *paths]
            )
            if listing:
                listing.write_text(" ".join(sorted(sys.modules)))
        os._exit(int(code))
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if listing and code:
        print((folder / "output").read_text(), file=sys.stderr)
    return code


def _tell(name: str, mutation, before: str, after: str) -> None:
    old, new = before.splitlines(), after.splitlines()
    at = next(i for i, pair in enumerate(zip(old, new, strict=False)) if pair[0] != pair[1])
    where = f"{name}: {mutation.module_path}:{at + 1} {mutation.definition_name or ''}"
    print(f"{where}\n  - {old[at].strip()}\n  + {new[at].strip()}", flush=True)


if __name__ == "__main__":
    main()
