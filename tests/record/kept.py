"""The record on disk: one line an entry, people who get the same together."""

import json
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[1] / "data" / "record"
ADDRESSES = FOLDER / "addresses.json"
NAMES = FOLDER / "names.json"
HOW_ANEW = "If this is meant: python -m tests.record, and look at what has changed in tests/data/record."


def write(path: Path, entries: dict) -> None:
    """Write entries, one line each, sorted."""
    lines = [
        f"{json.dumps(key, ensure_ascii=False)}: {json.dumps(value, ensure_ascii=False)}"
        for key, value in sorted(entries.items())
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


def read(path: Path) -> dict:
    """Return the entries."""
    return json.loads(path.read_text(encoding="utf-8"))


def together(seen: dict[str, dict[str, dict]]) -> dict[str, dict]:
    """Return who → address → answer as "address METHOD: all who get it" → answer."""
    groups: dict[tuple[str, str], list[str]] = {}
    for who, answers in seen.items():
        for address, answer in answers.items():
            groups.setdefault((address, json.dumps(answer)), []).append(who)
    return {
        f"{address}: {' '.join(sorted(people))}": json.loads(text)
        for (address, text), people in groups.items()
    }


def of_one(entries: dict[str, dict], who: str) -> dict[str, dict]:
    """Return one person's address → answer."""
    split = ((*key.rsplit(": ", 1), answer) for key, answer in entries.items())
    return {address: answer for address, people, answer in split if who in people.split()}


def differences(kept: dict, seen: dict) -> str:
    """Return each entry that differs, a line for what was and a line for what is."""
    lines = []
    for key in sorted(kept.keys() | seen.keys()):
        if kept.get(key) != seen.get(key):
            lines += [f"{key}", f"  was {json.dumps(kept.get(key))}", f"  is  {json.dumps(seen.get(key))}"]
    return "\n".join(lines)
