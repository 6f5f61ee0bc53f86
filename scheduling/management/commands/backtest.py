"""``manage.py backtest``: replay the past year and score the forecast against naive ones."""

import math
from datetime import date

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.models import Part
from scheduling.billing.backtest import FORECASTERS, Backtest, backtest
from scheduling.billing.forecast import HIGH
from scheduling.money.forecast import Score


class Command(BaseCommand):
    help = "Replay the past twelve months and score the forecast of part changes against naive ones."

    def add_arguments(self, parser):
        parser.add_argument("--ahead", type=int, default=0, help="forecast so many months before (default 0)")
        parser.add_argument("--by-kind", action="store_true", help="show each kind of part, too")

    def handle(self, *args, **options):
        if not Part.objects.filter(removed_at__isnull=False).exists():
            raise CommandError("No part was ever removed; there is nothing to compare with yet.")
        if not 0 <= options["ahead"] <= 6:
            raise CommandError("--ahead must be 0 to 6 months.")
        found = backtest(
            today=timezone.localdate(), zone=settings.TIME_ZONE, on_month=self._say, ahead=options["ahead"]
        )
        self._table("Months that all three can speak of", found.scores())
        self._table("Every month each can speak of", found.all_months())
        self._by_month(found)
        if options["by_kind"]:
            self._by_kind(found)

    def _say(self, month: date) -> None:
        self.stderr.write(f"  {month:%b %Y} replayed")

    def _table(self, title: str, scores: dict[str, Score]) -> None:
        self.stdout.write(f"\n{title}")
        self.stdout.write(
            f"{'':<24}{'counts':>8}{'happened':>10}{'said':>10}{'bias':>8}{'mean error':>12}"
            f"{'error/happened':>16}{f'{HIGH:.0%} number enough':>20}"
        )
        for name, one in scores.items():
            self.stdout.write(
                f"{FORECASTERS[name]:<24}{one.compared:>8}{one.actual:>10.0f}{one.forecast:>10.1f}"
                f"{_share(one.bias):>8}{one.mean_absolute_error:>12.2f}{_share(one.relative_error):>16}"
                f"{_share(one.enough):>20}"
            )

    def _by_month(self, found: Backtest) -> None:
        self.stdout.write(
            f"\n{'Month':<10}{'happened':>10}" + "".join(f"{w:>24}" for w in FORECASTERS.values())
        )
        for i, month in enumerate(found.months):
            said = "".join(f"{_number(found.said[name][:, i].sum()):>24}" for name in FORECASTERS)
            self.stdout.write(f"{month:%b %Y}  {found.actual[:, i].sum():>10.0f}{said}")

    def _by_kind(self, found: Backtest) -> None:
        self.stdout.write(
            f"\n{'Kind':<16}{'happened':>10}" + "".join(f"{w:>24}" for w in FORECASTERS.values())
        )
        for row, code in enumerate(found.kinds):
            said = "".join(f"{_number(found.said[name][row].sum()):>24}" for name in FORECASTERS)
            self.stdout.write(f"{code:<16}{found.actual[row].sum():>10.0f}{said}")


def _heading(first: str, width: int) -> str:
    said = "".join(f"{word:>24}" for word in FORECASTERS.values())
    return f"\n{first:<{width}}{'happened':>10}{said}"


def _share(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.0%}"


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.1f}"
