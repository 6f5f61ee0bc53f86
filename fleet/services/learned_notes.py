"""Notes beside a part's figures: what of them was learned from the fleet."""

import numpy as np

from fleet.models import PartState
from fleet.queries.use_rules import FleetRules
from fleet.science import columns as science


def note_what_was_learned(
    states: list[PartState],
    columns: science.ShardColumns,
    use: science.UnitUse,
    kinds: list[str],
    rules: FleetRules,
) -> None:
    """Enter ``learned`` in the numbers of each part whose dates rest on anything the fleet taught.

    Parameters
    ----------
    states : list of PartState
        One per part of ``columns``, changed in place.
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
    for state, row, gal, shape in zip(states, columns.parts.unit_row.tolist(), lives, shapes, strict=True):
        note = of_unit[row]
        if gal == gal:
            note = note | {"life_gal": gal} | ({"life_shape": shape} if shape == shape else {})
        if note:
            state.numbers["learned"] = note


def _of_fleet(rules: FleetRules) -> dict:
    clock, note = rules.settings.season, {}
    if not clock.has_even_months:
        note["months"] = list(clock.factor_by_month)
    if not clock.has_even_week:
        note["weekdays"] = list(clock.factor_by_weekday)
    if note and rules.learned_at:
        note["use_learned_on"] = rules.learned_at.date().isoformat()
    return note
