"""Measures the owner's pages over a made-up company, against the bare queries of the same rows.

Fills the connected database, so use it in one of its own only. Nothing in it is measured.
"""

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Final

import numpy as np
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Branch, Customer, Part, PartKind, PartState, Position, Site, TreatmentUnit
from scheduling.billing import bridge, forecast, margin, review, risk
from scheduling.billing.review import ReviewChoice
from scheduling.models import EntryKind, PlanPeriod, PlanPrice, RevenueEntry, ServicePlan
from shared.errors import DomainError
from shared.periods import add_months, month_start

BATCH: Final = 5000
AREAS: Final = 24
SITES_PER_CUSTOMER: Final = 4
INTERVALS: Final = ("month", "quarter", "year")


@dataclass(frozen=True)
class MoneyFigure:
    """One page's figures."""

    page: str
    queries: int
    seconds: float
    bare_seconds: float
    """The same queries, run and fetched as plain rows, nothing computed. [s]"""

    @property
    def ratio(self) -> float:
        """How many times as long as the bare queries."""
        return self.seconds / self.bare_seconds


def measure_money(
    sites: int,
    months: int,
    *,
    today: date,
    repeats: int = 3,
    seed: int = 1,
    tell: Callable[[str], None] = lambda text: None,
) -> list[MoneyFigure]:
    """Fill the connected, empty database and measure each page's reading.

    Raises DomainError when the database holds sites already.
    """
    if Site.objects.exists():
        raise DomainError(
            "This database holds sites already.", remedy="Measure in an empty database of its own."
        )
    tell(f"making up {sites:,} sites with {months} months of entries …")
    make_company(sites, months, today=today, seed=seed)
    this_month = ReviewChoice(month=month_start(today))
    pages: dict[str, Callable[[], object]] = {
        "the review": lambda: review.review(this_month, today=today),
        "what moved it": lambda: bridge.bridge_review(month=today, by="site", branch_id=None, today=today),
        "cost and margin": lambda: margin.margin_review(today=today, branch_id=None),
        "at risk": lambda: risk.risk_review(today=today, branch_id=None),
        "months ahead": lambda: forecast.forecast(today=today, branch_id=None),
    }
    return [_measure(name, read, repeats) for name, read in pages.items()]


def _measure(name: str, read: Callable[[], object], repeats: int) -> MoneyFigure:
    with CaptureQueriesContext(connection) as asked:
        read()
    statements = [query["sql"] for query in asked.captured_queries]
    return MoneyFigure(
        name, len(statements), _median(read, repeats), _median(lambda: _run_bare(statements), repeats)
    )


def _run_bare(statements: list[str]) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
            cursor.fetchall()


def _median(run: Callable[[], object], repeats: int) -> float:
    seconds = []
    for _ in range(repeats):
        began = time.perf_counter()
        run()
        seconds.append(time.perf_counter() - began)
    return statistics.median(seconds)


def make_company(sites: int, months: int, *, today: date, seed: int) -> None:
    """Write sites with a treatment unit, two parts, a plan with two prices, and entries for each month."""
    rng = np.random.default_rng(seed)
    now = datetime(today.year, today.month, today.day, 12, tzinfo=UTC)
    branch = Branch.objects.create(code="benchmark", name="Benchmark (made up)")
    customers = Customer.objects.bulk_create(
        (Customer(code=f"K{i}", name=f"Customer {i}") for i in range(sites // SITES_PER_CUSTOMER + 1)), BATCH
    )
    places = Site.objects.bulk_create(
        (
            Site(code=f"S{i}", name=f"Site {i}", customer=customers[i // SITES_PER_CUSTOMER], branch=branch,
                 area=f"Area {i % AREAS}", latitude=41 + rng.random(), longitude=-93 + rng.random())
            for i in range(sites)
        ),
        BATCH,
    )  # fmt: skip
    first = add_months(month_start(today), -months)
    _make_plans(rng, places, first, today, now)
    _make_parts(rng, places, now)
    _make_entries(places, first, months, now)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")


def _make_plans(
    rng: np.random.Generator, places: list[Site], first: date, today: date, now: datetime
) -> None:
    starts = [add_months(first, int(month)) for month in rng.integers(0, 30, len(places))]
    plans = ServicePlan.objects.bulk_create(
        (
            ServicePlan(code=f"P{i}", name="Care", site=place, interval=INTERVALS[i % 3], starts_on=starts[i],
                        visit_every_months=12, renews_on=add_months(today, int(rng.integers(1, 12))))
            for i, place in enumerate(places)
        ),
        BATCH,
    )  # fmt: skip
    prices = [PlanPrice(plan=plan, from_on=plan.starts_on, amount=Decimal("60.00")) for plan in plans]
    prices += [
        PlanPrice(plan=plan, from_on=add_months(plan.starts_on, 3), amount=Decimal("63.00")) for plan in plans
    ]
    PlanPrice.objects.bulk_create(prices, BATCH)
    PlanPeriod.objects.bulk_create(
        (
            PlanPeriod(plan=plan, kind="discount", from_on=plan.starts_on, percent_off=10, why="Made up",
                       made_at=now)
            for plan in plans[::10]
        ),
        BATCH,
    )  # fmt: skip


def _make_parts(rng: np.random.Generator, places: list[Site], now: datetime) -> None:
    kinds = [
        PartKind.objects.create(code=f"B{i}", name=f"Sediment {i}", role="sediment", rated_months=6)
        for i in range(12)
    ]
    units = TreatmentUnit.objects.bulk_create(
        (
            TreatmentUnit(serial=f"B{i}", site=place, design_use_gal_per_day=20, design_permeate_gpm=0.4)
            for i, place in enumerate(places)
        ),
        BATCH,
    )
    positions = Position.objects.bulk_create(
        (
            Position(treatment_unit=unit, code=f"p{order}", order=order, water="feed")
            for unit in units
            for order in (1, 2)
        ),
        BATCH,
    )
    parts = []
    for i, position in enumerate(positions):
        age = timedelta(days=int(rng.integers(5, 170)))
        given = {
            "treatment_unit": position.treatment_unit,
            "position": position,
            "kind": kinds[i % len(kinds)],
        }
        parts.append(
            Part(**given, installed_at=now - age - timedelta(days=180), removed_at=now - age,
                 removal_reason="worn")
        )  # fmt: skip
        parts.append(Part(**given, installed_at=now - age))
    in_place = [part for part in Part.objects.bulk_create(parts, BATCH) if part.removed_at is None]
    PartState.objects.bulk_create(
        (
            PartState(
                part=part, treatment_unit_id=part.treatment_unit_id, wear=0.5, governing="calendar",
                early_on=part.installed_at.date() + timedelta(days=160),
                likely_on=part.installed_at.date() + timedelta(days=182),
                late_on=part.installed_at.date() + timedelta(days=200), assessed_at=now,
            )
            for part in in_place
        ),
        BATCH,
    )  # fmt: skip


def _make_entries(places: list[Site], first: date, months: int, now: datetime) -> None:
    for month in (add_months(first, i) for i in range(months + 1)):
        RevenueEntry.objects.bulk_create(
            (
                RevenueEntry(kind=EntryKind.PLAN, cause_key=f"made up:{place.pk}:{month:%Y-%m}", site=place,
                             month=month, amount=Decimal("60.00"), text="Made up", entered_at=now)
                for place in places
            ),
            BATCH,
        )  # fmt: skip
