"""What to take along beside the parts, from the steps that are composed for what is still to do.

Which step needs what is *common practice*.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from scheduling.models import StepSheet, WorkOrder
from scheduling.orders.step_library import applies, known_of
from scheduling.orders.steps import merged
from shared.messages import message
from shared.translation import translate


class Per(Enum):
    """What one of a thing is enough for."""

    DAY = "a day: it comes back"
    UNIT = "one treatment unit"
    PART = "one changed part"


@dataclass(frozen=True)
class Item:
    """A thing to take along, and the codes of the steps that need it."""

    text: str
    per: Per
    steps: frozenset[str]


@dataclass(frozen=True)
class KitLine:
    """A thing to take along. Of tools one is enough."""

    text: str
    quantity: int
    is_tool: bool

    @property
    def told(self) -> str:
        """Return how many of what, in the reader's language; of a tool what it is."""
        return translate(self.text) if self.is_tool else f"{self.quantity} × {translate(self.text)}"


def _item(text: str, per: Per, *steps: str) -> Item:
    return Item(text, per, frozenset(steps))


KIT: Final = (
    _item(message("Set of seals"), Per.PART, "take_out"),
    _item(message("Total-chlorine strip"), Per.UNIT, "chlorine_after_carbon", "feed_side", "behind_the_bed"),
    _item(message("Dose of sanitiser"), Per.UNIT, "sanitise"),
    _item(message("Warning tag"), Per.UNIT, "warning_tag"),
    _item(message("Bag of softener salt"), Per.UNIT, "softener"),
    _item(message("Feed-test case with reagents in date"), Per.DAY, "test", "reagents"),
    _item(message("Gloves and eye protection"), Per.DAY, "sanitise", "purge_membrane", "reagents", "uv_off"),
    _item(message("Lock and tag"), Per.DAY, "lock_out"),
    _item(message("Housing wrench, brush, silicone grease for drinking water"), Per.DAY, "take_out"),
    _item(message("Hose and bucket"), Per.DAY, "outlet_to_drain", "purge_membrane", "prove_zero", "flush"),
    _item(message("Clear glass and watch"), Per.DAY, "flush"),
    _item(message("Handheld pressure gauge"), Per.DAY, "gauges", "readings_before", "run_in_readings"),
    _item(message("Conductivity and temperature meter"), Per.DAY, "readings_before", "run_in_readings"),
    _item(message("Air gauge and pump for tanks"), Per.DAY, "tank"),
    _item(message("Dry cloths"), Per.DAY, "leak_watch", "leak_watch_pump"),
)
"""What is used up first."""


def kit(works: Iterable[tuple[set[str], int]]) -> list[KitLine]:
    """Return what the work on some units takes: of each the codes of its steps, and how many parts change."""
    counted: Counter[Item] = Counter()
    for codes, parts in works:
        for item in KIT:
            if item.steps & codes:
                counted[item] += parts if item.per is Per.PART else 1
    return [
        KitLine(item.text, 1 if item.per is Per.DAY else counted[item], item.per is Per.DAY)
        for item in KIT
        if counted[item]
    ]


def kit_of_orders(orders: Iterable[WorkOrder], sheets: Mapping[str, StepSheet]) -> list[KitLine]:
    """Return what orders take, with the sheets in use by kind. They come with unit, part and its kind."""
    by_unit: dict[int, list[WorkOrder]] = {}
    for order in orders:
        by_unit.setdefault(order.treatment_unit_id, []).append(order)
    return kit(
        work_of(here, [sheets[one.kind] for one in here if one.kind in sheets]) for here in by_unit.values()
    )


def work_of(orders: Sequence[WorkOrder], sheets: Sequence[StepSheet]) -> tuple[set[str], int]:
    """Return the codes of the steps that one unit's orders call for, and how many parts they change."""
    changed = [one.part.kind.role for one in orders if one.part and one.work_kind.needs_part]
    known = known_of(orders[0].treatment_unit, changed)
    return {step["code"] for step in merged(sheets) if applies(step, known)}, len(changed)
