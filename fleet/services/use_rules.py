"""Learn how much use swings in this fleet, and hand each assessment the rules of its moment."""

from dataclasses import replace
from datetime import datetime
from typing import Final

from fleet.models import TreatmentUnit, UseRules
from fleet.queries.columns import UnitRange, read_shard
from fleet.science.settings import AssessmentSettings, UseSettings
from fleet.science.use import compute_use
from fleet.science.use_fleet import fit_use_rules
from fleet.services.days import to_days

SAMPLE_UNITS: Final = 20_000
"""Treatment units learned from; a median of so many no longer moves."""
ROUNDS: Final = 4
"""Each round draws the spreads less towards the old rule; after four they have arrived."""


def settings_at(moment: datetime) -> AssessmentSettings:
    """Return the documented settings with the newest rules learned by a moment."""
    plain = AssessmentSettings()
    newest = UseRules.objects.filter(learned_at__lte=moment).order_by("-learned_at").first()
    if newest is None:
        return plain
    learned = replace(plain.use, design_spread=newest.design_spread, design_cv=newest.design_cv)
    return replace(plain, use=learned)


def learn_use(now: datetime) -> UseRules | None:
    """Learn the rules of use from the fleet and keep them as a new row; None while data are few."""
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True)[:SAMPLE_UNITS])
    if not ids:
        return None
    columns = read_shard(UnitRange(ids[0], ids[-1]), to_days(now)).columns
    plain = UseSettings()
    rules = plain
    for _ in range(ROUNDS):
        use, _faults, _curves = compute_use(
            columns.units, columns.readings, columns.performance, to_days(now), rules
        )
        rules = fit_use_rules(columns.units, use, rules)
    if rules == plain:
        return None
    known, _ = UseRules.objects.update_or_create(
        learned_at=now,
        defaults={
            "design_spread": rules.design_spread,
            "design_cv": rules.design_cv,
            "units_used": len(ids),
        },
    )
    return known
