"""What can be counted without running anything: lines, files, types, names, templates."""

import ast
import io
import re
import tokenize
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("fleet", "scheduling", "api", "shared")
NOT_WORDS = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT,
             tokenize.ENCODING, tokenize.ENDMARKER}  # fmt: skip
SMALL, LARGE, WIDEST_TEMPLATE = 60, 400, 120
DEMO = re.compile(r"(^|/)demo(/|\.py$)|benchmark|(^|/)backtest")
ORDER_KINDS = re.compile(r"\bOrderKind\.[A-Z_]{4,}|[\"'](change_due|reflush_required|feed_test|one_off)[\"']")


def python_files(*tops: str, is_migration: bool = False) -> list[Path]:
    """Return the modules of packages without migrations, or these; an empty file is none."""
    found = (path for top in tops for path in (ROOT / top).rglob("*.py") if path.stat().st_size)
    return sorted(path for path in found if ("migrations" in path.parts) == is_migration)


def code_lines(text: str) -> int:
    """Count lines that hold code: no blank line, comment or docstring."""
    lines = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in NOT_WORDS:
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(text)):
        for inner in getattr(node, "body", []) if isinstance(getattr(node, "body", None), list) else []:
            # A string that stands alone documents what is above it.
            is_alone = isinstance(inner, ast.Expr) and isinstance(inner.value, ast.Constant)
            if is_alone and isinstance(inner.value.value, str):
                lines.difference_update(range(inner.lineno, inner.end_lineno + 1))
    return len(lines)


def _sizes(paths: list[Path]) -> tuple[int, int, int]:
    texts = [path.read_text(encoding="utf-8") for path in paths]
    return len(paths), sum(text.count("\n") for text in texts), sum(map(code_lines, texts))


def figures() -> dict[str, int | float]:
    """Return name → figure."""
    all_files = python_files(*PACKAGES)
    product = [path for path in all_files if not DEMO.search(path.relative_to(ROOT).as_posix())]
    tests = python_files("tests")
    count, lines, code = _sizes(all_files)
    bare_count, bare_lines, bare_code = _sizes(product)
    test_count, test_lines, test_code = _sizes(tests)
    _, moved_lines, moved_code = _sizes(python_files(*PACKAGES, is_migration=True))
    lengths = {path: path.read_text(encoding="utf-8").count("\n") for path in all_files}
    widest = sorted((len(line) for line in _template_lines()), reverse=True)
    return {
        "files": count, "lines": lines, "code lines": code,
        "lines with migrations": lines + moved_lines, "code lines with migrations": code + moved_code,
        "files without demo and benchmarks": bare_count, "lines without demo and benchmarks": bare_lines,
        "code lines without demo and benchmarks": bare_code,
        "files under 60 lines": sum(length < SMALL for length in lengths.values()),
        "files over 400 lines": sum(length > LARGE for length in lengths.values()),
        "share of lines under mypy, %": round(100 * _typed_lines() / (lines + moved_lines), 1),
        "fmt: skip": sum(path.read_text(encoding="utf-8").count("# fmt: skip") for path in all_files),
        "fmt: skip in tests": sum(path.read_text(encoding="utf-8").count("# fmt: skip") for path in tests),
        "longest template line": widest[0],
        "template lines over 120": sum(width > WIDEST_TEMPLATE for width in widest),
        "public names in several modules": len(names_in_several(all_files)),
        "files that name a kind of order": sum(
            bool(ORDER_KINDS.search(path.read_text(encoding="utf-8"))) for path in all_files
        ),
        "test files": test_count, "test lines": test_lines, "test code lines": test_code,
    }  # fmt: skip


def _template_lines() -> Iterator[str]:
    for path in (ROOT / "templates").rglob("*.html"):
        yield from path.read_text(encoding="utf-8").splitlines()


def _typed_lines() -> int:
    """Count lines of what mypy is told to check."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    settings = project.get("tool", {}).get("mypy", {})
    places = [ROOT / place for place in settings.get("files", [])]
    excluded = settings.get("exclude") or []
    skip = re.compile("|".join([excluded] if isinstance(excluded, str) else excluded) or "(?!)")
    found = {file for place in places for file in (place.rglob("*.py") if place.is_dir() else [place])}
    ours = set(python_files(*PACKAGES))
    kept = [file for file in found & ours if not skip.search(file.relative_to(ROOT).as_posix())]
    return sum(file.read_text(encoding="utf-8").count("\n") for file in kept)


def names_in_several(paths: list[Path]) -> dict[str, list[str]]:
    """Return the functions and classes without a leading underscore that several modules define."""
    where = defaultdict(list)
    for path in paths:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            is_named = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            if is_named and not node.name.startswith("_"):
                where[node.name].append(path.relative_to(ROOT).as_posix())
    return {name: places for name, places in sorted(where.items()) if len(places) > 1}
