"""``python -m tests.record`` walks every address as every person and writes the record anew.

``-k owner`` walks for one alone and leaves what is recorded of the others.
"""

import os
import sys
import tempfile
from pathlib import Path

import pytest

from tests.record import kept

TESTS = str(Path(__file__).with_name("test_record.py"))


def main() -> int:
    """Run the tests so that they write, then put their pieces together."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["TAPWARD_TEST_ON"] = "sqlite"
        os.environ["TAPWARD_RECORD_TO"] = folder
        if code := pytest.main(["-q", "-n", "0", *sys.argv[1:], TESTS]):
            return int(code)
        pieces = {path.stem: kept.read(path) for path in sorted(Path(folder).glob("*.json"))}
    if kept.NAMES.stem in pieces:
        kept.write(kept.NAMES, pieces.pop(kept.NAMES.stem))
    before = kept.read(kept.ADDRESSES) if kept.ADDRESSES.exists() else {}
    recorded = {who for key in before for who in key.rsplit(": ", 1)[1].split()}
    others = {who: kept.of_one(before, who) for who in recorded - pieces.keys()}
    kept.write(kept.ADDRESSES, kept.together(others | pieces))
    return 0


if __name__ == "__main__":
    sys.exit(main())
