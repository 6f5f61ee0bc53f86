"""``manage.py learn_lives``: the same service the monthly task calls."""

import json
from dataclasses import asdict

from django.core.management.base import BaseCommand
from django.utils import timezone

from fleet.assessment.days import to_days
from fleet.assessment.learning import LearnedKind, learn_lives
from fleet.assessment.use_rules import learn_use


class Command(BaseCommand):
    help = "Learn the life of every kind of part from the fleet's own removals."

    def add_arguments(self, parser):
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        now = timezone.now()
        answers = learn_lives(to_days(now))
        rules = learn_use(now)
        if options["json"]:
            self.stdout.write(json.dumps([asdict(answer) for answer in answers]))
            return
        self.stdout.write(_line("kind", "parts", "failures", "rated gal", "learned gal", "shape", ""))
        for answer in answers:
            self.stdout.write(_told(answer))
        learned = sum(answer.learned_gal is not None for answer in answers)
        changed = sum(answer.is_changed for answer in answers)
        self.stdout.write(f"{learned} of {len(answers)} kinds learned; {changed} changed in the catalogue.")
        self.stdout.write(
            f"Use swings by {rules.design_spread:.2f} of its mean a day and lies "
            f"within {rules.design_cv:.0%} of the design duty."
            if rules
            else "Too few metered treatment units to learn how use swings; the documented rules stand."
        )


def _told(answer: LearnedKind) -> str:
    note = answer.why_not
    if answer.learned_gal is not None:
        by = f", by {' and '.join(answer.covariates_used)}" if answer.covariates_used else ""
        note = f"the rating has {answer.rating_share:.0%} of the say{by}"
    return _line(
        answer.code,
        str(answer.parts),
        str(answer.failures),
        _figure(answer.rated_gal),
        _figure(answer.learned_gal),
        "–" if answer.shape is None else f"{answer.shape:.2f}",
        note,
    )


def _figure(gallons: float | None) -> str:
    return "–" if gallons is None else f"{gallons:,.0f}"


def _line(kind: str, parts: str, failures: str, rated: str, learned: str, shape: str, note: str) -> str:
    return f"{kind:<24}{parts:>8}{failures:>10}{rated:>12}{learned:>13}{shape:>7}  {note}".rstrip()
