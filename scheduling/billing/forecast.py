"""What the forecast reads: parts in place with their dates, the usual drive, the usual one-off revenue.

What the coming months ask for: parts by kind, visits, technician hours, revenue; and what to buy now.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Final

import numpy as np
import pandas as pd
from django.db.models import Avg, DurationField, ExpressionWrapper, F, Min, OuterRef, Q, Subquery, Sum

from fleet.assessment.membrane_care import expected_dates
from fleet.models import Part, PartKind, PartState
from fleet.science.settings import ReadinessSettings
from scheduling.billing.bridge import to_money
from scheduling.contracts.plan_columns import PlanTable, day_number, of_branch, read_plans
from scheduling.models import EntryKind, RevenueEntry, Stop
from scheduling.money.forecast import Changes, at_least_one, changes_due, count_quantile
from scheduling.money.practice import Dates, learn_practice, practised
from scheduling.money.recurring import standing_on
from scheduling.orders.contents import DEFAULT_CHANGE_MINUTES, SET_UP_MINUTES
from scheduling.orders.kinds import PLANNED
from shared.money import to_cents
from shared.periods import add_months, local_day, month_start

DRIVE_MINUTES: Final = 20.0
"""Drive to a stop where no route of the past year tells it. Our choice. [min]"""
_FIELDS: Final = (
    "early_on", "likely_on", "late_on", "part__installed_at", "part__kind_id", "treatment_unit__site_id",
    "part_id",
)  # fmt: skip


def read_parts(branch_id: int | None) -> pd.DataFrame:
    """Return the parts in place with their dates and what their kind says. Two queries."""
    states = PartState.objects.filter(
        part__removed_at__isnull=True, part__treatment_unit__is_out_of_service=False
    )
    states = of_branch(states, "treatment_unit__site", branch_id)
    before = Part.objects.filter(
        position=OuterRef("part__position"), kind=OuterRef("part__kind"), removed_at__isnull=False
    ).order_by("-removed_at")
    stayed = ExpressionWrapper(F("removed_at") - F("installed_at"), output_field=DurationField())
    earlier = Subquery(before.annotate(stayed=stayed).values("stayed")[:1])
    rows = states.annotate(earlier=earlier).values_list(*_FIELDS, "earlier", "numbers__expected")
    names = ["early", "likely_on", "late", "installed", "kind_id", "site_id", "part_id", "earlier"]
    # A membrane that measures well has no date for an order, and is expected to end as membranes do.
    dated = [
        (*expected_dates(row[-1]), *row[3:-1]) if row[-1] and not row[1] else row[:-1]
        for row in rows.order_by("pk")
    ]
    parts = pd.DataFrame(dated, columns=names, dtype=object)
    return parts.join(_read_kinds(branch_id), on="kind_id")


def _read_kinds(branch_id: int | None) -> pd.DataFrame:
    here = Q(levels__place__branch_id=branch_id) if branch_id else Q()
    kinds = PartKind.objects.annotate(in_stock=Sum("levels__quantity", filter=here, default=0)).order_by()
    names = [
        "pk",
        "code",
        "name",
        "cost",
        "change_minutes",
        "needs_flush",
        "flush_gal",
        "flush_gpm",
        "in_stock",
    ]
    return pd.DataFrame.from_records(list(kinds.values_list(*names)), columns=names, index="pk")


def names_of_parts(part_ids: list[int]) -> dict[int, dict[str, Any]]:
    """Return serial, position, site and the day of going in, at the site, of parts."""
    rows = Part.objects.filter(pk__in=part_ids).values(
        "pk", "installed_at", "treatment_unit__serial", "position__code", "treatment_unit__site__code",
        "treatment_unit__site__name", "treatment_unit__site__time_zone",
    )  # fmt: skip
    return {
        row["pk"]: row
        | {"installed_on": local_day(row["installed_at"], row["treatment_unit__site__time_zone"])}
        for row in rows
    }


def usual_drive(today: date, branch_id: int | None) -> float:
    """Return the mean drive to a stop on routes in force of the past year. [min]"""
    stops = Stop.objects.filter(
        route__is_in_force=True, route__day__range=(add_months(today, -12), today + timedelta(days=31))
    )
    stops = of_branch(stops, "site", branch_id)
    mean = stops.aggregate(mean=Avg("drive_minutes"))["mean"]
    return float(mean) if mean is not None else DRIVE_MINUTES


def usual_one_off(today: date, branch_id: int | None) -> Decimal:
    """Return the past year's mean month of work and parts outside plans."""
    this = month_start(today)
    found = RevenueEntry.objects.filter(
        kind__in=[EntryKind.WORK, EntryKind.PARTS], month__gte=add_months(this, -12), month__lt=this
    )
    found = of_branch(found, "site", branch_id)
    sums = found.aggregate(total=Sum("amount"), first=Min("month"))
    if not sums["total"]:
        return Decimal("0.00")
    months = (this.year - sums["first"].year) * 12 + this.month - sums["first"].month
    return to_cents(sums["total"] / months)


HIGH: Final = 0.9
"""The high number is enough with this chance. Our choice. [-]"""
MONTHS: Final = 6
LEAST_CHANCE: Final = 0.0005
"""Parts less likely to be changed in all months together are not listed. [-]"""
REORDER_MONTHS: Final = 2
"""Parts on the shelf should last so long: ordering, delivery and a margin. Our choice. [month]"""


@dataclass(frozen=True)
class KindForecast:
    """Changes of one kind of part ahead."""

    code: str
    name: str
    means: list[float]
    highs: list[int]
    """By month; enough with a chance of ``HIGH``."""
    in_stock: int
    needed: int
    """The high number of the reorder months together."""
    cost: Decimal

    @property
    def to_order(self) -> int:
        """What the stock lacks."""
        return max(0, self.needed - self.in_stock)

    @property
    def order_cost(self) -> Decimal:
        """What ordering it costs."""
        return self.cost * self.to_order

    @property
    def mean(self) -> float:
        """Changes in all months."""
        return sum(self.means)


@dataclass(frozen=True)
class Forecast:
    """The owner's page."""

    months: list[dict[str, Any]]
    """``changes`` and ``visits`` with the numbers that are enough (``_high``), ``hours``, ``recurring`` and
    ``one_off`` revenue."""
    kinds: list[KindForecast]
    drive_minutes: float
    """Drive to a stop, from routes of the past year. [min]"""
    without_dates: int
    """Parts in place whose due date is not known; they are in no number."""
    gone_through: int = 0
    """Parts in place."""

    @property
    def reorder(self) -> list[KindForecast]:
        """Kinds the stock lacks, the dearest order first."""
        lacking = [kind for kind in self.kinds if kind.to_order]
        return sorted(lacking, key=lambda kind: (-kind.order_cost, kind.code))

    @property
    def order_cost(self) -> Decimal:
        """What the whole reorder list costs."""
        return sum((kind.order_cost for kind in self.reorder), Decimal("0.00"))


def forecast(*, today: date, branch_id: int | None, months: int = MONTHS) -> Forecast:
    """Return what the coming months ask for, this one's rest first. Seven queries, however many parts.

    Parts are expected to be changed at the share of their expected life at which the company has changed
    their like before. A visit is a month in which a site has at least one part due or a visit promised. Hours
    are set-up and change minutes, flushes included, and the usual drive for each visit. Recurring revenue
    follows plans as they are known today, with their dated prices, pauses and ends; one-off revenue is the
    past year's mean.
    """
    starts = _starts(today, months)
    parts = read_parts(branch_id)
    changes, _ = _changes(parts, starts, today)
    plans = read_plans(branch_id)
    visits, promised = _visits(parts, changes, plans, starts, today)
    drive_minutes = usual_drive(today, branch_id)
    hours = _hours(parts, changes, visits, promised, drive_minutes)
    return Forecast(
        months=_months(starts, today, changes, visits, hours, plans, usual_one_off(today, branch_id)),
        kinds=_kinds(parts, changes),
        drive_minutes=drive_minutes,
        without_dates=int(parts["likely_on"].isna().sum()),
        gone_through=len(parts),
    )


@dataclass(frozen=True)
class PartsAhead:
    """The parts behind a kind's numbers, the likeliest first; their chances add up to its means."""

    months: list[date]
    parts: list[dict[str, Any]]
    """``chances`` are those of its change, or of its successors', by month; ``likely_on`` is when the company
    is expected to change it."""

    @property
    def means(self) -> list[float]:
        """Expected changes by month."""
        return [sum(chances) for chances in zip(*(part["chances"] for part in self.parts), strict=True)]


def parts_ahead(kind_code: str, *, today: date, branch_id: int | None, months: int = MONTHS) -> PartsAhead:
    """Return the parts of a kind that may be changed in the coming months. Three queries."""
    starts = _starts(today, months)
    parts = read_parts(branch_id)
    changes, dates = _changes(parts, starts, today)
    chances = np.zeros((len(parts), months))
    np.add.at(chances, changes.part_row, changes.chance)
    rows = np.flatnonzero(
        (parts["code"] == kind_code).to_numpy(dtype=bool) & (chances.sum(axis=1) >= LEAST_CHANCE)
    )
    rows = rows[np.argsort(-chances[rows].sum(axis=1), kind="stable")]
    names = names_of_parts([int(pk) for pk in parts["part_id"].iloc[rows]])
    return PartsAhead(
        starts[:-1],
        [
            {
                **names[int(parts["part_id"].iloc[row])],
                "likely_on": date.fromordinal(date(1970, 1, 1).toordinal() + int(dates.likely_d[row])),
                "chances": chances[row].tolist(),
            }
            for row in rows
        ],
    )


def _starts(today: date, months: int) -> list[date]:
    return [add_months(month_start(today), i) for i in range(months + 1)]


def _changes(parts: pd.DataFrame, starts: list[date], today: date) -> tuple[Changes, Dates]:
    edges = np.array([day_number(today), *(day_number(day) for day in starts[1:])], dtype=np.float64)
    dates = _dates(parts)
    found = changes_due(dates.early_d, dates.likely_d, dates.late_d, dates.life_days, edges, dates.spread)
    return found, dates


def _dates(parts: pd.DataFrame) -> Dates:
    """Return when parts are expected to be changed, by their due windows and the company's own practice."""
    early, likely, late, installed = (
        np.array([day_number(day) if day else np.nan for day in parts[name]], dtype=np.float64)
        for name in ("early", "likely_on", "late", "installed")
    )
    earlier = np.array([time / timedelta(days=1) if time else np.nan for time in parts["earlier"]], float)
    kind_row, kinds = pd.factorize(parts["kind_id"])
    practice = learn_practice(earlier, likely - installed, kind_row, len(kinds))
    return practised(installed, early, likely, late, kind_row, practice)


def _visits(
    parts: pd.DataFrame, changes: Changes, plans: PlanTable, starts: list[date], today: date
) -> tuple[np.ndarray, np.ndarray]:
    """Return the chance of a visit to each site (sites, months), and how many plans promise (months,)."""
    promised = _promised(plans, starts, today)
    part_site = parts["site_id"].to_numpy(dtype=np.int64)
    site_ids = np.concatenate(
        [part_site[changes.part_row], np.array([s for s, _ in promised], dtype=np.int64)]
    )
    sites, rows = np.unique(site_ids, return_inverse=True)
    sure = np.zeros((len(promised), len(starts) - 1))
    for i, (_, month) in enumerate(promised):
        sure[i, month] = 1.0
    return at_least_one(np.vstack([changes.chance, sure]), rows, len(sites)), sure.sum(axis=0)


def _promised(plans: PlanTable, starts: list[date], today: date) -> list[tuple[int, int]]:
    """Return site and month of every visit that plans promise ahead."""
    words = plans.words[plans.words["visit_every_months"].notna()]
    found = []
    rows = zip(
        words["site_id"], words["starts_on"], words["ends_on"], words["visit_every_months"], strict=True
    )
    for site_id, starts_on, ends_on, every in rows:
        for month, first in enumerate(starts[:-1]):
            gone = (first.year - starts_on.year) * 12 + first.month - starts_on.month
            if gone < 1 or gone % int(every):
                continue
            day = add_months(starts_on, gone)
            if day >= today and (ends_on is None or day < ends_on):
                found.append((int(site_id), month))
    return found


def _hours(
    parts: pd.DataFrame, changes: Changes, visits: np.ndarray, promised: np.ndarray, drive_minutes: float
) -> np.ndarray:
    """Return technician hours by month. [h]"""
    usual = ReadinessSettings()
    flush_gal = parts["flush_gal"].astype(float).fillna(usual.carbon_flush_gal)
    flush_gpm = parts["flush_gpm"].astype(float).fillna(usual.flush_gpm)
    flush = (flush_gal / flush_gpm).where(parts["needs_flush"].astype(bool), 0.0)
    work = (parts["change_minutes"].replace(0, DEFAULT_CHANGE_MINUTES) + flush).to_numpy(dtype=np.float64)
    minutes = work[changes.part_row] @ changes.chance
    minutes = minutes + visits.sum(axis=0) * (SET_UP_MINUTES + drive_minutes)
    return np.asarray((minutes + promised * PLANNED.minutes) / 60)


def _months(
    starts: list[date],
    today: date,
    changes: Changes,
    visits: np.ndarray,
    hours: np.ndarray,
    plans: PlanTable,
    one_off: Decimal,
) -> list[dict[str, Any]]:
    rows = []
    for i, first in enumerate(starts[:-1]):
        begun = first <= today
        last = starts[i + 1] - timedelta(days=1)
        left = Decimal((starts[i + 1] - max(first, today)).days) / (starts[i + 1] - first).days
        rows.append(
            {
                "month": first,
                "is_begun": begun,
                "changes": float(changes.chance[:, i].sum()),
                "changes_high": count_quantile(changes.chance[:, i], HIGH),
                "visits": float(visits[:, i].sum()),
                "visits_high": count_quantile(visits[:, i], HIGH),
                "hours": float(hours[i]),
                "recurring": to_money(standing_on(plans.columns, day_number(last)).cents.sum()),
                "one_off": to_cents(one_off * left),
            }
        )
    return rows


def _kinds(parts: pd.DataFrame, changes: Changes) -> list[KindForecast]:
    kind_of = parts["kind_id"].to_numpy(dtype=np.int64)
    of_change = kind_of[changes.part_row]
    rows = []
    for kind_id, kind in parts.drop_duplicates("kind_id").set_index("kind_id").iterrows():
        chance = changes.chance[of_change == kind_id]
        rows.append(
            KindForecast(
                code=kind["code"],
                name=kind["name"],
                means=chance.sum(axis=0).tolist(),
                highs=[count_quantile(chance[:, i], HIGH) for i in range(chance.shape[1])],
                in_stock=int(kind["in_stock"]),
                needed=count_quantile(np.minimum(chance[:, :REORDER_MONTHS].sum(axis=1), 1.0), HIGH),
                cost=kind["cost"],
            )
        )
    return sorted(rows, key=lambda row: (-row.mean, row.code))
