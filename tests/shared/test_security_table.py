"""The table of security requirements leaves none out and names only tests that there are."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TABLE = (ROOT / "shared" / "SECURITY.md").read_text()
# Requirements of levels 1 and 2 a section has, by the English CSV of OWASP ASVS 5.0.0; those of level 3
# stand last in each section, so that counting is enough.
ASKED = {
    "1.1": 2, "1.2": 9, "1.3": 11, "1.4": 3, "1.5": 2, "2.1": 3, "2.2": 3, "2.3": 4, "2.4": 1, "3.2": 2,
    "3.3": 4, "3.4": 6, "3.5": 5, "3.7": 2, "4.1": 3, "4.2": 1, "4.3": 2, "4.4": 4, "5.1": 1, "5.2": 3,
    "5.3": 2, "5.4": 3, "6.1": 3, "6.2": 12, "6.3": 4, "6.4": 4, "6.5": 5, "6.6": 3, "6.8": 4, "7.1": 3,
    "7.2": 4, "7.3": 2, "7.4": 5, "7.5": 2, "7.6": 2, "8.1": 2, "8.2": 3, "8.3": 1, "8.4": 1, "9.1": 3,
    "9.2": 4, "10.1": 2, "10.2": 2, "10.3": 4, "10.4": 11, "10.5": 5, "10.6": 2, "10.7": 3, "11.1": 2,
    "11.2": 3, "11.3": 3, "11.4": 4, "11.5": 1, "11.6": 1, "12.1": 3, "12.2": 2, "12.3": 4, "13.1": 1,
    "13.2": 5, "13.3": 2, "13.4": 5, "14.1": 2, "14.2": 4, "14.3": 3, "15.1": 3, "15.2": 3, "15.3": 7,
    "16.1": 1, "16.2": 5, "16.3": 4, "16.4": 3, "16.5": 3, "17.1": 1, "17.2": 4, "17.3": 2,
}  # fmt: skip
NUMBER = re.compile(r"\d+(?:\.\d+)*(?:–\d+\.\d+\.\d+)?")


def told_of() -> set[str]:
    """Return what the first cells name, ranges written out; a section or chapter stands for all of it."""
    found = set()
    for line in TABLE.splitlines():
        if not re.match(r"\| \d", line):
            continue
        for name in NUMBER.findall(line.split("|")[1]):
            first, _, last = name.partition("–")
            section, _, begin = first.rpartition(".")
            end = int(last.rpartition(".")[2]) if last else int(begin)
            found |= {f"{section}.{n}" for n in range(int(begin), end + 1)} if last else {first}
    return found


def test_every_requirement_of_levels_one_and_two_has_its_line():
    told = told_of()
    missing = [
        f"{section}.{n}"
        for section, count in ASKED.items()
        for n in range(1, count + 1)
        if not {f"{section}.{n}", section, section.partition(".")[0]} & told
    ]
    assert missing == []


def test_every_test_the_table_names_is_there():
    sources = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
    named = set(re.findall(r"`(test_\w+)`", TABLE))
    assert len(named) > 60
    assert {name for name in named if f"def {name}(" not in sources} == set()
    files = set(re.findall(r"tests/[\w/]+\.py", TABLE))
    assert {file for file in files if not (ROOT / file).exists()} == set()


STATES = {"met", "by design", "in part", "operator", "not applicable", "open", "open for calendars"}
PLACE = re.compile(r"`(test_\w+|[\w./-]*[./][\w./-]+)`|(tests/[\w/.]+)|“([^”]+)”|(SCALE\.md|NAMES\.md)")


def test_every_line_that_claims_something_names_a_test_or_a_place():
    bare, states = [], set()
    for line in TABLE.splitlines():
        if not re.match(r"\| \d", line):
            continue
        what, _, state, why = (cell.strip() for cell in line.strip("| ").split(" | "))
        states.add(state)
        found = [next(filter(None, one)) for one in PLACE.findall(why)]
        there = [one for one in found if one.startswith("test_") or (ROOT / one).exists() or is_told(one)]
        if state in ("met", "by design") and not there:
            bare.append(what)
    assert bare == []
    assert states <= STATES


def is_told(name: str) -> bool:
    """Say whether a section, a table or a document of that name is there."""
    if name.endswith(".md"):
        return (ROOT / "shared" / name).exists()
    return re.search(rf"^## .*{re.escape(name.rstrip(', above'))}", TABLE, re.MULTILINE) is not None
