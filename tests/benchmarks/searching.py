"""Measures search over a made-up fleet, against the same search without its indexes and a read by key.

Fills the connected database, so use it in one of its own only.
"""

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Final

from django.db import connection, transaction

from fleet.models import Person, TreatmentUnit
from scheduling.overview.search import search
from tests.benchmarks.synthetic_fleet import load_synthetic_fleet, vacuum

_WORD: Final = (
    "(ARRAY['Alder', 'Birch', 'Cedar', 'Dogwood', 'Elm', 'Fir', 'Gorse', 'Hazel', 'Ivy', 'Juniper'])"
)
_TRADE: Final = "(ARRAY['Bakery', 'Clinic', 'Dairy', 'School', 'Hotel', 'Laundry', 'Brewery', 'Office'])"
NAMES: Final = (
    # One customer for ten sites, words that repeat as those of a company do, and marks on every part.
    "INSERT INTO fleet_customer (code, name, email, phone, wants_notices) SELECT 'K-' || n, "
    f"{_WORD}[1 + n %% 10] || ' ' || {_TRADE}[1 + n %% 8] || ' ' || n, '', "
    "'(555) ' || lpad((n * 7919 %% 10000000)::text, 7, '0'), true FROM generate_series(1, %(customers)s) n",
    "UPDATE fleet_site SET customer_id = (SELECT min(id) FROM fleet_customer WHERE code LIKE 'K-%%') "
    "+ id %% %(customers)s, address = id || ' ' || " + _WORD + "[1 + id %% 10] || ' Street', "
    "name = " + _TRADE + "[1 + id %% 8] || ' ' || md5(id::text)",
    "UPDATE fleet_part SET serial = 'P-' || id, lot = 'L-' || id %% 5000",
    "UPDATE fleet_meter SET serial = 'W-' || id",
)
ASKED: Final = {
    "a name": "hazel clinic 42",
    "a name spelled wrong": "Hazle clinc 4217",
    "a telephone number": "555 003 9595",
    "an address": "4217 cedar street",
    "a serial": "M-4217",
    "a part's serial": "p-39421",
    "a lot": "l-4217",
    "a common word": "street",
    "nothing": "qqwwzz",
}


@dataclass(frozen=True)
class SearchFigure:
    """One search."""

    what: str
    hits: int
    ms: float
    over_scan: float
    """Share of the time that the same takes where every row is looked at."""
    over_key: float
    """Times as long as reading one treatment unit by its serial."""


def measure_search(
    units: int, *, today: date, repeats: int = 5, tell: Callable[[str], None] = lambda text: None
) -> list[SearchFigure]:
    """Load a fleet into the connected, empty database and search it as a planner of all branches."""
    load_synthetic_fleet(units, 2, seed=1, tell=tell)
    with connection.cursor() as cursor:
        for statement in NAMES:
            cursor.execute(statement, {"customers": max(1, units // 10)})
    vacuum()
    planner = Person.objects.create(username="benchmark", role="planner")
    key_ms = _median(lambda: TreatmentUnit.objects.get(serial="M-1"), repeats * 10)
    figures = []
    for what, text in ASKED.items():
        tell(f"{what}: {text}")

        def run(text: str = text) -> int:
            return len(search(text, by=planner, today=today).hits)

        ms = _median(run, repeats)
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET LOCAL enable_bitmapscan = off")
            scan_ms = _median(run, 1)
        figures.append(SearchFigure(what, run(), ms, ms / scan_ms, ms / key_ms))
    return figures


def _median(run: Callable[[], object], repeats: int) -> float:
    run()
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        run()
        took.append(1000 * (time.perf_counter() - began))
    return statistics.median(took)
