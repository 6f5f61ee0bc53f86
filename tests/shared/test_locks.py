"""What is installed is what was looked at: every package has its version and its sums, in step everywhere."""

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
SUM = re.compile(r"--hash=sha256:[0-9a-f]{64}")


def locked(file: str) -> dict[str, tuple[str, frozenset[str]]]:
    """Return name → version and sums; what one system alone wants is left out, no pin stands for it."""
    found = {}
    for entry in (ROOT / file).read_text().replace(" \\\n", " ").splitlines():
        asked = Requirement(entry.partition(" --hash")[0])
        if "win32" not in str(asked.marker):
            found[canonicalize_name(asked.name)] = str(asked.specifier), frozenset(SUM.findall(entry))
    return found


def test_locks_have_the_pinned_versions_and_sums_of_each():
    pins = [Requirement(line) for line in (ROOT / "constraints.txt").read_text().splitlines()]
    everything, to_run = locked("shared/locks/test.txt"), locked("shared/locks/run.txt")
    assert {name: pin for name, (pin, _) in everything.items()} == {
        canonicalize_name(pin.name): str(pin.specifier) for pin in pins
    }
    assert to_run.items() <= everything.items()
    assert [name for name, (pin, sums) in everything.items() if not sums or not pin.startswith("==")] == []


def test_locks_hold_all_that_is_asked_for():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    asked = {canonicalize_name(Requirement(one).name) for one in project["dependencies"]}
    extras = {
        canonicalize_name(Requirement(one).name)
        for extra in project["optional-dependencies"].values()
        for one in extra
    }
    assert asked <= set(locked("shared/locks/run.txt"))
    assert extras <= set(locked("shared/locks/test.txt"))
