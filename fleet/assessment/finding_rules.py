"""When does what assessment knows become a finding that wants action? Plain rules over one shard."""

from dataclasses import dataclass, field
from datetime import date, timedelta
from types import SimpleNamespace as RowView
from typing import Any, Final

from fleet.assessment.explanation import LEAK_LIMIT, learned_names
from fleet.models import FindingKind, LimitName, OwedFlush, PatternName, ReadinessState
from shared.messages import joined, message
from shared.translation import label_of

CHANGE_AHEAD_DAYS: Final = 28
"""A change is asked for when its early date is this near: two plan horizons and a parts order. Our choice."""
STRONGEST: Final = 3.0
"""Wear beyond this says no more than “far past”."""
KEEP_DAYS: Final = 14
"""A standing change finding goes only when its early date moves this much beyond that: no flutter."""
DECAY_WINDOW_DAYS: Final = 21
"""A decaying treatment unit is looked at within three weeks. *Common practice.*"""
REFLUSH_WINDOW_DAYS: Final = 2
"""Carbon fines and storage solution wait no longer than this. *Common practice.*"""
SILENT_DAYS: Final = 45
"""No reading for this long: somebody should read the meter."""
FAULT_MEMORY_DAYS: Final = 60
"""A meter fault older than this is history, not something to act on."""
STRENGTH_MOVED: Final = 0.02
DAYS_MOVED: Final = 3
"""A standing finding is written anew when its strength or one of its dates has moved by this much."""
LATE_MOVED: Final = 10
"""The same of the late date, which is not known to the day. [day]"""
CHECK_DAYS: Final = 45
"""Gauges of a membrane that calendar or exposure calls old are read again when the last look is older."""
FEED_TEST_DAYS: Final = 365
"""A feed test older than this no longer says what the water is. *Common practice: at least yearly.*"""


@dataclass
class Candidate:
    """A finding as the rules would have it now."""

    kind: str
    cause_key: str
    treatment_unit_id: int
    method: str
    why: str
    strength: float
    part_id: int | None = None
    not_before_on: date | None = None
    early_on: date | None = None
    likely_on: date | None = None
    late_on: date | None = None
    numbers: dict = field(default_factory=dict)


@dataclass(frozen=True)
class UnitFacts:
    """What the rules need to know of a treatment unit beside its state."""

    serial: str
    site_id: int
    is_first_at_site: bool
    last_test_on: date | None
    last_read_on: date | None


def change_cause(part_id: int) -> str:
    """Return the one cause of a part's change."""
    return f"change_due:part:{part_id}"


def check_cause(part_id: int) -> str:
    """Return the one cause of a look at a membrane's gauges."""
    return f"reading_wanted:part:{part_id}"


def reflush_cause(treatment_unit_id: int, owed: str, part_id: int | None) -> str:
    """Return the one cause of an owed flush."""
    return f"reflush_required:unit:{treatment_unit_id}:{owed}:part:{part_id or 0}"


GUESS: Final = message(
    "This is a guess: nobody has measured this membrane lately. "
    "Read the gauges and compare before changing it."
)


def membrane_check(state: RowView, name: str, read_on: date, today: date) -> Candidate:
    """Ask for a look at the gauges of a membrane that is well by what was measured and old by calendar."""
    return Candidate(
        kind=FindingKind.READING_WANTED,
        cause_key=check_cause(state.part_id),
        treatment_unit_id=state.treatment_unit_id,
        part_id=state.part_id,
        method="normalised",
        why=message(
            "{name}: old by calendar or exposure, but well when last measured on {read_on:%d %b %Y}. "
            "Read the gauges and compare; do not change it.",
            name=name,
            read_on=read_on,
        ),
        strength=0.5,
        not_before_on=today,
        early_on=today,
        likely_on=today + timedelta(days=30),
        late_on=today + timedelta(days=60),
        numbers={"last_measured_on": read_on.isoformat(), "limit_days": CHECK_DAYS},
    )


def change_due(state: RowView, name: str, asked: dict[str, Any], *, is_membrane: bool = False) -> Candidate:
    """Say why a change is asked for. ``asked`` is strength and dates by name."""
    limit = label_of(LimitName, state.governing).lower() or message("life")
    numbers = state.numbers
    learned = learned_names(numbers)
    rests = message("; rests on what the fleet taught ({learned})", learned=learned) if learned else ""
    return Candidate(
        kind=FindingKind.CHANGE_DUE,
        cause_key=change_cause(state.part_id),
        treatment_unit_id=state.treatment_unit_id,
        part_id=state.part_id,
        method="wear",
        why=joined(
            " ",
            [
                message("{name}: {wear}{rests}.", name=name, wear=_wear_words(state, limit), rests=rests),
                *_choice_words(numbers),
                *([GUESS] if is_membrane and state.governing != LimitName.PERFORMANCE else []),
            ],
        ),
        not_before_on=_days(numbers.get("not_before_on")) or asked["early_on"],
        numbers=_without_costs(numbers),
        **asked,
    )


def reflush_required(state: RowView, asked: dict[str, Any], today: date) -> Candidate:
    """Say which flush is owed, since when and how much."""
    owed, since = state.owed_flush, asked["early_on"]
    label = label_of(OwedFlush, owed)
    flush_gal, flush_minutes = state.flush_gal, state.flush_minutes
    volume = f"{flush_gal:.0f} gal" if flush_gal else message("until it runs clear")
    minutes = message(", about {flush_minutes:.0f} min", flush_minutes=flush_minutes) if flush_minutes else ""
    return Candidate(
        kind=FindingKind.REFLUSH_REQUIRED,
        cause_key=reflush_cause(state.treatment_unit_id, owed, state.owed_part_id),
        treatment_unit_id=state.treatment_unit_id,
        part_id=state.owed_part_id,
        method="readiness",
        why=message(
            "{label}, since {since:%d %b %Y}: {volume}{minutes} to drain before the water is used.",
            label=label,
            since=since,
            volume=volume,
            minutes=minutes,
        ),
        not_before_on=min(today, since),
        numbers={"flush_gal": flush_gal, "flush_minutes": flush_minutes, "owed": owed},
        **asked,
    )


def performance_decay(
    state: RowView, membrane_part_id: int | None, care: dict[str, Any], today: date
) -> Candidate | None:
    """Ask for a look when normalised performance has changed for certain, never for cold water.

    ``care`` is advice and choices as the membrane's state has them.
    """
    quiet = ("", PatternName.COLD_WATER_ONLY)
    if not state.is_decaying or state.pattern in quiet or membrane_part_id is None:
        return None
    changes = {
        message("normalised flow"): state.flow_change,
        message("salt passage"): state.passage_change,
        message("pressure drop"): state.drop_change,
    }
    latest = today + timedelta(days=DECAY_WINDOW_DAYS)
    known = {name: change for name, change in changes.items() if change is not None}
    told = [joined(" ", (name, _change_words(change))) for name, change in known.items()]
    pattern = label_of(PatternName, state.pattern)
    return Candidate(
        kind=FindingKind.PERFORMANCE_DECAY,
        cause_key=f"performance_decay:part:{membrane_part_id}",
        treatment_unit_id=state.treatment_unit_id,
        part_id=membrane_part_id,
        method="normalised",
        why=joined(
            " ",
            [
                message("{pattern}: {told} against its own baseline.", pattern=pattern, told=told),
                *_choice_words(care),
            ],
        ),
        strength=max((abs(change) for change in known.values()), default=0.0),
        not_before_on=today,
        early_on=today,
        likely_on=min(max(state.crosses_limit_on or today, today), latest),
        late_on=latest,
        numbers=_without_costs({**state.numbers, "pattern": state.pattern, **care}),
    )


_ADVICE: Final = {
    "look": message("Look at this first; the membrane itself may be good."),
    "leave": message("Leave it until then."),
    "clean": message("Cleaning costs least for the time it gains."),
    "replace": message("Replacing costs least for the time it gains."),
}
_CHOICES: Final = {
    "leave": message("leave it: limit reached {until:%d %b %Y}"),
    "clean": message("clean it: lasts to about {until:%b %Y}"),
    "replace": message("replace it: lasts to about {until:%b %Y}"),
}


def _choice_words(care: dict[str, Any]) -> list[str]:
    """Say what leaving, cleaning and replacing a failing membrane gain; nothing for any other.

    What they cost stays with the membrane's state: technicians and customers read these words, too.
    """
    if "advice" not in care:
        return []
    choices = [
        message(_CHOICES[name], until=_days(choice["lasts_until_on"]))
        for name, choice in care["choices"].items()
        if choice["lasts_until_on"]
    ]
    told = [message("Choices: {choices}.", choices=joined("; ", choices))] if choices else []
    return [*told, _ADVICE[care["advice"]]]


def _without_costs(numbers: dict[str, Any]) -> dict[str, Any]:
    """Leave out what a choice costs: who may see a finding may not see money."""
    if "choices" not in numbers:
        return numbers
    choices = {name: {"lasts_until_on": one["lasts_until_on"]} for name, one in numbers["choices"].items()}
    return {**numbers, "choices": choices}


def reading_wanted(state: RowView, facts: UnitFacts, today: date) -> Candidate | None:
    """Ask for a reading where the meter has been silent or never spoke."""
    if state.readiness == ReadinessState.OUT_OF_SERVICE:
        return None
    last = facts.last_read_on
    if last is not None and (today - last).days <= SILENT_DAYS:
        return None
    silent = message("silent for {days} days", days=(today - last).days) if last else message("never read")
    return Candidate(
        kind=FindingKind.READING_WANTED,
        cause_key=f"reading_wanted:unit:{state.treatment_unit_id}",
        treatment_unit_id=state.treatment_unit_id,
        method="last reading",
        why=message(
            "Meter of {serial} {silent}; due dates rest on the design duty until it is read.",
            serial=facts.serial,
            silent=silent,
        ),
        strength=min((today - last).days / 365, 3.0) if last else 1.0,
        not_before_on=today,
        early_on=today,
        likely_on=today + timedelta(days=30),
        late_on=today + timedelta(days=60),
        numbers={"last_read_on": last.isoformat() if last else None, "limit_days": SILENT_DAYS},
    )


def contact_too_short(state: RowView, name: str, today: date) -> Candidate:
    """Say that a bed is too small for its water: a new cartridge of the same size does not help."""
    numbers = state.numbers
    return Candidate(
        kind=FindingKind.CONTACT_TOO_SHORT,
        cause_key=f"contact_too_short:part:{state.part_id}",
        treatment_unit_id=state.treatment_unit_id,
        part_id=state.part_id,
        method="bed",
        why=message(
            "{name}: {ebct:.1f} min of contact let about {leak:.2g} mg/L total chlorine through even "
            "fresh carbon; the membrane behind it bears {limit:g}. A new cartridge of this size does not "
            "help: test total chlorine behind the bed, then lower the flow or fit a larger or catalytic bed.",
            name=name,
            ebct=numbers["ebct_min"],
            leak=numbers["fresh_leak_mg_l"],
            limit=LEAK_LIMIT,
        ),
        strength=min(numbers["fresh_leak_mg_l"] / LEAK_LIMIT / 10, STRONGEST),
        not_before_on=today,
        early_on=today,
        likely_on=today + timedelta(days=21),
        late_on=today + timedelta(days=45),
        numbers={key: numbers[key] for key in ("ebct_min", "fresh_leak_mg_l")} | {"limit_mg_l": LEAK_LIMIT},
    )


def feed_test_due(state: RowView, facts: UnitFacts, today: date) -> Candidate | None:
    """Ask once per site for a feed test where the newest is old or there is none."""
    if not facts.is_first_at_site or state.readiness == ReadinessState.OUT_OF_SERVICE:
        return None
    last = facts.last_test_on
    if last is not None and (today - last).days <= FEED_TEST_DAYS:
        return None
    told = message("last tested {last:%d %b %Y}", last=last) if last else message("never tested")
    return Candidate(
        kind=FindingKind.FEED_TEST_DUE,
        cause_key=f"feed_test_due:site:{facts.site_id}",
        treatment_unit_id=state.treatment_unit_id,
        method="last feed test",
        why=message(
            "Feed water {told}; chlorine and hardness shorten lives and should be known within a year.",
            told=told,
        ),
        strength=min((today - last).days / 365, 3.0) if last else 1.0,
        not_before_on=today,
        early_on=today,
        likely_on=today + timedelta(days=45),
        late_on=today + timedelta(days=90),
        numbers={"last_test_on": last.isoformat() if last else None, "limit_days": FEED_TEST_DAYS},
    )


def _change_words(change: float) -> str:
    """Say a relative change with its sign, or that there is none."""
    return message("level") if abs(change) < 0.005 else f"{change:+.0%}"


def _wear_words(state: RowView, limit: str) -> str:
    """Say how worn a part is and since or until when, without false precision past the limit."""
    if state.wear is None:
        return message("wear is not known")
    if state.wear >= STRONGEST:
        return message("far past its limit by {limit}", limit=limit)
    if state.wear >= 1:
        return message("{wear:.0%} of its life by {limit}, past its limit", wear=state.wear, limit=limit)
    when = (
        message("limit likely on {likely_on:%d %b %Y}", likely_on=state.likely_on)
        if state.likely_on
        else message("limit near")
    )
    return message("{wear:.0%} of its life by {limit}, {when}", wear=state.wear, limit=limit, when=when)


def _days(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
