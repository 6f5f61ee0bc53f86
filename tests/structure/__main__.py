"""``python -m tests.structure`` measures the house: its size, and how far six journeys run through it.

``--json`` for programs; ``--without-journeys`` needs no database; ``--names`` lists the files and names
behind the figures.
"""

import argparse
import importlib
import json
import os

import django

from tests.structure import files


def walked() -> dict:
    """Run the journeys with Django and a SQLite database of their own."""
    os.environ["TAPWARD_TEST_ON"] = "sqlite"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    return importlib.import_module("tests.structure.journeys").journeys()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.structure", description=__doc__)
    parser.add_argument("--json", action="store_true", help="answer for programs")
    parser.add_argument("--names", action="store_true", help="list what stands behind the figures")
    parser.add_argument("--without-journeys", action="store_true", help="count only, needs no database")
    asked = parser.parse_args()
    figures = files.figures()
    found = {} if asked.without_journeys else walked()
    runs = {name: {"files": len(one.files), "deepest": len(one.deepest)} for name, one in found.items()}
    if asked.json:
        print(json.dumps({"figures": figures, "journeys": runs}, indent=1))
    else:
        for name, figure in figures.items():
            print(f"{name:<42}{figure:>10,}")
        for name, run in runs.items():
            print(f"{name:<42}{run['files']:>6} files{run['deepest']:>4} deep")
    if asked.names:
        for name, places in files.names_in_several(files.python_files(*files.PACKAGES)).items():
            print(f"{name}: {' '.join(places)}")
        for name, one in found.items():
            print(f"\n{name}\n  {' '.join(sorted(one.files))}\n  deepest: {' > '.join(one.deepest)}")


if __name__ == "__main__":
    main()
