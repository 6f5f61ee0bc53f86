"""Plans, their prices and periods as columns: three queries, however many plans."""

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import pandas as pd
from django.db.models import QuerySet

from scheduling.contracts.plan_money import MONTHS_OF
from scheduling.models import PeriodKind, PlanPeriod, PlanPrice, ServicePlan
from scheduling.money.recurring import NEVER_D, WHOLE, PlanColumns
from shared.periods import add_months

_EPOCH: Final = date(1970, 1, 1).toordinal()
_FIELDS: Final = {
    "id": "plan_id", "code": "plan", "name": "plan_name", "interval": "interval", "starts_on": "starts_on",
    "ends_on": "ends_on", "renews_on": "renews_on", "notice_days": "notice_days",
    "visit_every_months": "visit_every_months", "escalator_percent": "escalator_percent",
    "site_id": "site_id", "site__code": "site", "site__name": "site_name", "site__area": "area",
    "site__customer__code": "customer", "site__customer__name": "customer_name",
}  # fmt: skip


@dataclass(frozen=True)
class PlanTable:
    """Plans twice: as columns of numbers and as a frame of words, row for row the same."""

    columns: PlanColumns
    words: pd.DataFrame
    """Columns as the values of ``_FIELDS``."""


def day_number(day: date) -> int:
    """Return a calendar day as whole days since 1970-01-01."""
    return day.toordinal() - _EPOCH


@dataclass(frozen=True)
class Within:
    """A part of the company: filters on a site, and the first day of a month in which plans renew."""

    site: str = ""
    customer: str = ""
    area: str | None = None
    """Empty: sites of no area; None: every area."""
    renews: date | None = None

    def of_sites(self, path: str) -> dict[str, object]:
        """Return filters on rows that lead to their site by a path."""
        wanted = {"code": self.site or None, "customer__code": self.customer or None, "area": self.area}
        return {f"{path}__{name}": value for name, value in wanted.items() if value is not None}

    def of_plans(self, path: str) -> dict[str, object]:
        """Return filters on rows that lead to their plan by a path, empty for plans themselves."""
        filters = self.of_sites(f"{path}site")
        if self.renews:
            filters[f"{path}renews_on__gte"] = self.renews
            filters[f"{path}renews_on__lt"] = add_months(self.renews, 1)
        return filters


ALL: Final = Within()


def read_plans(branch_id: int | None, within: Within = ALL) -> PlanTable:
    """Return every plan of a branch (None: of all), ended ones included, in the order of their ids."""
    plans = of_branch(ServicePlan.objects.filter(**within.of_plans("")), "site", branch_id).order_by("pk")
    words = pd.DataFrame.from_records(list(plans.values_list(*_FIELDS)), columns=list(_FIELDS.values()))
    prices = of_branch(PlanPrice.objects.filter(**within.of_plans("plan__")), "plan__site", branch_id)
    periods = of_branch(PlanPeriod.objects.filter(**within.of_plans("plan__")), "plan__site", branch_id)
    return PlanTable(_columns(words, prices, periods), words)


def of_branch(rows: QuerySet, site: str, branch_id: int | None) -> QuerySet:
    """Return the rows whose site, at a path, is of a branch; all of them for None."""
    return rows.filter(**{f"{site}__branch_id": branch_id}) if branch_id else rows


def _columns(words: pd.DataFrame, prices: QuerySet, periods: QuerySet) -> PlanColumns:
    plan_id = words["plan_id"].to_numpy(dtype=np.int64)
    price = list(prices.order_by("plan_id", "from_on").values_list("plan_id", "from_on", "amount"))
    period = list(periods.order_by("plan_id", "pk").values_list("plan_id", "from_on", "to_on",
                                                                "percent_off", "kind"))  # fmt: skip
    return PlanColumns(
        plan_id=plan_id,
        months=_whole(MONTHS_OF[word] for word in words["interval"]),
        starts_d=_whole(day_number(day) for day in words["starts_on"]),
        ends_d=_whole(day_number(day) if day else NEVER_D for day in words["ends_on"]),
        price_plan_row=np.searchsorted(plan_id, _whole(row[0] for row in price)),
        price_from_d=_whole(day_number(row[1]) for row in price),
        price_cents=_whole(int(row[2] * 100) for row in price),
        period_plan_row=np.searchsorted(plan_id, _whole(row[0] for row in period)),
        period_from_d=_whole(day_number(row[1]) for row in period),
        period_to_d=_whole(day_number(row[2]) if row[2] else NEVER_D for row in period),
        period_off=_whole(int(row[3] * WHOLE / 100) for row in period),
        period_is_pause=np.array([row[4] == PeriodKind.PAUSE for row in period], dtype=np.bool_),
    )


def _whole(numbers) -> np.ndarray:
    return np.array(list(numbers), dtype=np.int64)
