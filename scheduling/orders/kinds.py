# ruff: noqa: E501
"""Every kind of work in one place: what is raised by it, how long it takes, what closing it asks, its first steps.

A new kind is a choice and its entry below; a migration lets the tables know it.
Minutes, weights and days to wait are *common practice* or our choice. Steps and cautions are *common practice*,
too, and only the first version of a sheet, which the company edits; the maker's manual, local code and licensed
trades go first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

from django.db import models
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy

from fleet.models import FindingKind
from scheduling.orders.step_library import SHUT_DOWN, START, Step, house
from shared.messages import Message, message
from shared.roles import Permission


class OrderKind(models.TextChoices):
    """What is to be done."""

    CHANGE_DUE = "change_due", gettext_lazy("Change due")
    REFLUSH_REQUIRED = "reflush_required", gettext_lazy("Re-flush required")
    PERFORMANCE_DECAY = "performance_decay", gettext_lazy("Performance decay")
    PLAN_VISIT = "plan_visit", gettext_lazy("Plan visit")
    FEED_TEST = "feed_test", gettext_lazy("Feed test")
    READING = "reading", gettext_lazy("Reading")
    ONE_OFF = "one_off", gettext_lazy("One-off work")


class Closing(Enum):
    """What must be reported beside the outcome when work is closed as done."""

    NOTHING = "nothing"
    NEW_PART = "the part the order names is replaced"
    FLUSH = "a flush"
    METER = "the meter's total, or why it can't be read"


@dataclass(frozen=True, kw_only=True)
class WorkKind:
    """All that one kind of work is. Nothing has a default: what is forgotten fails at import."""

    kind: OrderKind
    group: str | Promise
    """Heading on the overview."""
    risk_told: str | Promise
    advice: str | Promise
    mark: str
    """Colour of its mark: bad, watch, info or off."""
    raised_from: Mapping[FindingKind, int]
    """Findings that raise it; after work on one that still stands, so many days new readings are waited for."""
    raised_by_hand: Permission | None
    """What a person needs to raise it by hand; None: nobody does."""
    hold_withdrawn_days: int
    """What a person withdrew is not raised again so soon."""
    follows_finding: bool
    """Its window moves either way with its finding; any other only ever ends earlier, or it would slide for ever."""
    is_urgent: bool
    """Counts as due soon whatever its window."""
    is_risk_when_late: bool
    """A late one puts the customer's plan at risk."""
    is_outside_plans: bool
    """Never covered by a service plan."""
    late_weight: float
    """What a late day weighs against that of a change."""
    minutes: int | None
    """Work beside set-up and flush; None: the part tells, or ``DEFAULT_CHANGE_MINUTES``. [min]"""
    closing: Closing
    may_bed: bool
    """May end with a bed left overnight though no part is reported changed."""
    asks_gauges: bool
    """The phone opens the gauges unasked."""
    asks_feed_test: bool
    cautions: list[Message]
    steps: list[Step]

    @property
    def needs_part(self) -> bool:
        return self.closing is Closing.NEW_PART

    @property
    def is_flush(self) -> bool:
        return self.closing is Closing.FLUSH


CAUTIONS = [
    message(
        "The maker's manual, local plumbing and electrical code and licensed "
        "trades go before this sheet. Stop and call the office where they "
        "differ or where you are not sure."
    ),
    message(
        "Mains voltage beside water: unplug, keep the plug in your hand or "
        "locked, dry hands and floor. Wiring is a licensed electrician's work."
    ),
    message(
        "Stored pressure: a tank or housing can hold pressure with the feed "
        "shut. Prove zero pressure before any joint or housing is opened."
    ),
    message(
        "People drink this water: clean hands and gloves, new seals, nobody "
        "draws water until the unit is flushed to clear."
    ),
]
CHEMICAL_CAUTION = message(
    "Storage solution and sanitiser irritate skin and eyes: gloves and eye "
    "protection, never mixed, to drain with plenty of water. Read the "
    "safety data sheet."
)
ALL_CAUTIONS: Final = [*CAUTIONS, CHEMICAL_CAUTION]

_KINDS: Final = [
    WorkKind(
        kind=OrderKind.REFLUSH_REQUIRED,
        group=gettext_lazy("Re-flush required"),
        risk_told=gettext_lazy("Water is not fit to use until the flush ran clear."),
        advice=gettext_lazy("Send someone within two days, or ask the site to keep the unit off."),
        mark="bad", raised_from={FindingKind.REFLUSH_REQUIRED: 0},
        raised_by_hand=None, hold_withdrawn_days=1, follows_finding=False,  # Owed for drinking water, so it comes back the next day.
        is_urgent=True, is_risk_when_late=True, is_outside_plans=False,
        late_weight=2.0, minutes=0, closing=Closing.FLUSH,
        may_bed=False, asks_gauges=False, asks_feed_test=False, cautions=ALL_CAUTIONS,
        steps=house("tell", "tag_on", "outlet_to_drain", "slow_fill", "override_open", "flush", "chlorine_after_carbon", "purge_membrane", *START,
                    "tank", "tag_off", "run_in_readings", "drain_gap", always=("flush", "tag_off")),
    ),
    WorkKind(
        kind=OrderKind.PERFORMANCE_DECAY,
        group=gettext_lazy("Performance decay"),
        risk_told=gettext_lazy("The membrane loses flow or lets salt by; some causes can be cleaned off."),
        advice=gettext_lazy("Look at it within three weeks; the finding names what to check first."),
        mark="bad", raised_from={FindingKind.PERFORMANCE_DECAY: 14},
        raised_by_hand=None, hold_withdrawn_days=30, follows_finding=False,
        is_urgent=False, is_risk_when_late=True, is_outside_plans=False,
        late_weight=1.2, minutes=50, closing=Closing.NOTHING,
        may_bed=False, asks_gauges=True, asks_feed_test=False, cautions=ALL_CAUTIONS,
        steps=house("tell", "readings_before", "feed_side", "gauges", *SHUT_DOWN, "look_inside", "take_out", "membrane_in", "warning_tag", "sanitise",
                    "outlet_to_drain", "slow_fill", "override_open", "flush", "chlorine_after_carbon", "purge_membrane", *START, "tank", "tag_off",
                    "run_in_readings", "drain_gap", always=("flush",)),
    ),
    WorkKind(
        kind=OrderKind.CHANGE_DUE,
        group=gettext_lazy("Change due"),
        risk_told=gettext_lazy("Worn carbon lets chlorine reach the membrane; worn sediment starves it."),
        advice=gettext_lazy("Place it before its window ends; parts at one site travel together."),
        mark="watch", raised_from={FindingKind.CHANGE_DUE: 0},
        raised_by_hand=None, hold_withdrawn_days=30, follows_finding=True,
        is_urgent=False, is_risk_when_late=True, is_outside_plans=False,
        late_weight=1.0, minutes=None, closing=Closing.NEW_PART,
        may_bed=True, asks_gauges=False, asks_feed_test=False, cautions=ALL_CAUTIONS,
        steps=house("tell", "readings_before", *SHUT_DOWN, "take_out", "membrane_in", "warning_tag", "outlet_to_drain", "slow_fill", "override_open",
                    "flush", "chlorine_after_carbon", "purge_membrane", *START, "tank", "tag_off", "drain_gap", always=("take_out",)),
    ),
    WorkKind(
        kind=OrderKind.PLAN_VISIT,
        group=gettext_lazy("Plan visits"),
        risk_told=gettext_lazy("Promised to the customer."),
        advice=gettext_lazy("Place them on a route."),
        mark="info", raised_from={},
        raised_by_hand=None, hold_withdrawn_days=30, follows_finding=False,
        is_urgent=False, is_risk_when_late=False, is_outside_plans=False,
        late_weight=0.8, minutes=30, closing=Closing.NOTHING,
        may_bed=False, asks_gauges=False, asks_feed_test=False, cautions=ALL_CAUTIONS,
        steps=house("look_round", "run_in_readings", "softener", "tank", "meter", "ask", "drain_gap"),
    ),
    WorkKind(
        kind=OrderKind.ONE_OFF,
        group=gettext_lazy("One-off work"),
        risk_told=gettext_lazy("Asked for by someone."),
        advice=gettext_lazy("Place it on a route."),
        mark="info", raised_from={},
        raised_by_hand=Permission.MANAGE_WORK, hold_withdrawn_days=30, follows_finding=False,
        is_urgent=False, is_risk_when_late=False, is_outside_plans=True,
        late_weight=1.0, minutes=30, closing=Closing.NOTHING,
        may_bed=False, asks_gauges=False, asks_feed_test=False, cautions=ALL_CAUTIONS,
        steps=house("tell", *SHUT_DOWN, "work", "take_out", "membrane_in", "warning_tag", "outlet_to_drain", "slow_fill", "override_open", "flush",
                    "chlorine_after_carbon", "purge_membrane", *START, "tank", "tag_off", "drain_gap"),
    ),
    WorkKind(
        kind=OrderKind.READING,
        group=gettext_lazy("Readings"),
        risk_told=gettext_lazy("Dates rest on the design duty until read."),
        advice=gettext_lazy("Read in passing."),
        mark="off", raised_from={FindingKind.METER_FAULT: 60, FindingKind.READING_WANTED: 3},
        raised_by_hand=None, hold_withdrawn_days=30, follows_finding=False,
        is_urgent=False, is_risk_when_late=False, is_outside_plans=False,
        late_weight=0.4, minutes=5, closing=Closing.METER,
        may_bed=False, asks_gauges=False, asks_feed_test=False, cautions=CAUTIONS[:2],
        steps=house("right_meter", "look_round", "meter"),
    ),
    WorkKind(
        kind=OrderKind.FEED_TEST,
        group=gettext_lazy("Feed tests"),
        risk_told=gettext_lazy("Feed tests out of date."),
        advice=gettext_lazy("Test in passing."),
        mark="off", raised_from={FindingKind.FEED_TEST_DUE: 3, FindingKind.CONTACT_TOO_SHORT: 60},
        raised_by_hand=None, hold_withdrawn_days=30, follows_finding=False,
        is_urgent=False, is_risk_when_late=False, is_outside_plans=False,
        late_weight=0.5, minutes=15, closing=Closing.NOTHING,
        may_bed=False, asks_gauges=False, asks_feed_test=True, cautions=[CAUTIONS[0], CHEMICAL_CAUTION],
        steps=house("sample_tap", "reagents", "test", "behind_the_bed"),
    ),
]  # fmt: skip
WORK_KINDS: Final[dict[str, WorkKind]] = {one.kind: one for one in _KINDS}
"""By code, in the order of risk the overview shows them in."""
KIND_OF_FINDING: Final[dict[str, WorkKind]] = {found: one for one in _KINDS for found in one.raised_from}
if set(WORK_KINDS) != set(OrderKind) or set(KIND_OF_FINDING) != set(FindingKind):
    missing = (set(OrderKind) - set(WORK_KINDS)) | (set(FindingKind) - set(KIND_OF_FINDING))
    raise RuntimeError(f"Kinds of work or findings without an entry in WORK_KINDS: {sorted(missing)}.")

PLANNED: Final = WORK_KINDS[OrderKind.PLAN_VISIT]
"""What a service plan promises."""
BY_HAND: Final = WORK_KINDS[OrderKind.ONE_OFF]
"""What a person raises."""
SECOND_FLUSH: Final = WORK_KINDS[OrderKind.REFLUSH_REQUIRED]
"""What follows a bed left overnight."""
PART_CHANGES: Final = [one.kind for one in _KINDS if one.needs_part]
OUTSIDE_PLANS: Final = [one.kind for one in _KINDS if one.is_outside_plans]
