"""Writes a shard's states over the old ones and keeps every change of readiness."""

from datetime import datetime

from fleet.database.bulk_write import BATCH, StateTable, write_table_over
from fleet.models import OwedFlush, PartState, ReadinessChange, UnitState
from shared.translation import label_of


def write_states(units: StateTable[UnitState], parts: StateTable[PartState], now: datetime) -> int:
    """Write the rows over the old ones and note each change of readiness. Returns how many changed."""
    unit_ids = units.columns["treatment_unit_id"].tolist()
    before = UnitState.objects.filter(treatment_unit__pk__any_of=unit_ids)
    was = dict(before.values_list("treatment_unit_id", "readiness"))
    write_table_over(units, "treatment_unit")
    write_table_over(parts, "part")
    kept = set(parts.columns["part_id"].tolist())
    had = PartState.objects.filter(treatment_unit__pk__any_of=unit_ids).values_list("part_id", flat=True)
    lost = [part_id for part_id in had if part_id not in kept]
    if lost:
        PartState.objects.filter(part__pk__any_of=lost).delete()
    names = ("readiness", "owed_flush")
    rows = zip(unit_ids, *(units.columns[name].tolist() for name in names), strict=True)
    changes = [
        ReadinessChange(
            treatment_unit_id=unit_id,
            changed_at=now,
            was=was.get(unit_id, ""),
            became=readiness,
            because=label_of(OwedFlush, owed) if owed else "",
        )
        for unit_id, readiness, owed in rows
        if was.get(unit_id) != readiness
    ]
    ReadinessChange.objects.bulk_create(changes, batch_size=BATCH)
    return len(changes)
