"""Reads the published tables kept beside the tests; the first line of each names its source."""

from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parents[2] / "data" / "science"


def published(name: str) -> pd.DataFrame:
    """One table of ``tests/data/science``."""
    return pd.read_csv(FOLDER / f"{name}.csv", comment="#")
