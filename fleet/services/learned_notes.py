"""Notes beside a part's figures: what of them was learned from the fleet."""

from collections.abc import Iterator

import numpy as np

from fleet.queries.use_rules import FleetRules
from fleet.science import columns as science


def what_was_learned(
    columns: science.ShardColumns, use: science.UnitUse, kinds: list[str], rules: FleetRules
) -> Iterator[tuple[int, dict]]:
    """Yield the row and the note of each part whose dates rest on anything the fleet taught.

    Parameters
    ----------
    columns : ShardColumns
    use : UnitUse
    kinds : list of text
        Kind of site of each treatment unit.
    rules : FleetRules
        What the assessment used.
    """
    of_fleet = _of_fleet(rules)
    of_unit = [of_fleet] * len(kinds)
    few = use.is_design_duty | (use.readings_used <= rules.settings.use.few_readings)
    for row in np.flatnonzero(few).tolist():
        lent = rules.like_sites.get(kinds[row])
        if lent:
            of_unit[row] = of_fleet | {"like_sites": {"kind": kinds[row], **lent}}
    lives = columns.parts.learned_life_gal.tolist()
    shapes = columns.parts.learned_life_shape.tolist()
    rows = zip(columns.parts.unit_row.tolist(), lives, shapes, strict=True)
    for i, (row, gal, shape) in enumerate(rows):
        note = of_unit[row]
        if gal == gal:
            note = note | {"life_gal": gal} | ({"life_shape": shape} if shape == shape else {})
        if note:
            yield i, note


def _of_fleet(rules: FleetRules) -> dict:
    clock, note = rules.settings.season, {}
    if not clock.has_even_months:
        note["months"] = list(clock.factor_by_month)
    if not clock.has_even_week:
        note["weekdays"] = list(clock.factor_by_weekday)
    if note and rules.learned_at:
        note["use_learned_on"] = rules.learned_at.date().isoformat()
    return note
