"""What the sources never do: text becomes no code, no markup and no command of the system."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("shared", "fleet", "scheduling", "api")
ALLOWED = {
    "pickle": {"scheduling/planning/solver_process.py"},
    "mark_safe": {"shared/drawing.py", "scheduling/overview/register_tables.py"},
}
"""Between a process and its own child; drawings of our own, and a line break."""
NEVER_CALLED = {"eval", "exec", "__import__", "system", "popen"}
IN_TEMPLATES = re.compile(
    r"\|safe\b|autoescape off|<script(?![^>]*(?:\bsrc=|type=\"application/json\"))|<style|\bstyle=|\son\w+=\""
)
IN_SCRIPTS = re.compile(
    r"\binnerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|__proto__"
)


def files(*folders: str, ending: str) -> list[Path]:
    return [path for folder in folders for path in sorted((ROOT / folder).rglob(f"*{ending}"))]


def test_no_text_becomes_code_markup_or_a_command():
    met, used = [], {name: set() for name in ALLOWED}
    for path in files(*ROOMS, ending=".py"):
        place = str(path.relative_to(ROOT))
        for node in ast.walk(ast.parse(path.read_text())):
            name = getattr(node, "attr", getattr(node, "id", ""))
            if name in used:
                used[name].add(place)
            if isinstance(node, ast.Call):
                called = getattr(node.func, "attr", getattr(node.func, "id", ""))
                shell = any(word.arg == "shell" for word in node.keywords)
                if shell or (called in NEVER_CALLED and not isinstance(node.func, ast.Attribute)):
                    met.append(f"{place}:{node.lineno}")
                if isinstance(node.func, ast.Attribute) and ast.unparse(node.func) in (
                    "os.system",
                    "os.popen",
                ):
                    met.append(f"{place}:{node.lineno}")
    assert met == []
    assert used == ALLOWED


@pytest.mark.parametrize(
    ("folder", "ending", "never"),
    [("templates", ".html", IN_TEMPLATES), ("shared/static/tapward", ".js", IN_SCRIPTS)],
)
def test_no_text_becomes_markup_in_the_browser(folder, ending, never):
    found = files(folder, ending=ending)
    assert len(found) > 5
    assert {str(path): match[0] for path in found if (match := never.search(path.read_text()))} == {}
