"""When does what assessment knows become a finding that wants action? Plain rules over one shard.

What stands of findings, and what is asked for, as columns.
"""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
from django.db import connection

from fleet.assessment.explanation import learned_names
from fleet.database.bulk_write import Seen, plains
from fleet.database.columns import UnitRange, days_of_date
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


def change_cause(part_id: int) -> str:
    """Return the one cause of a part's change."""
    return f"change_due:part:{part_id}"


def reflush_cause(treatment_unit_id: int, owed: str, part_id: int | None) -> str:
    """Return the one cause of an owed flush."""
    return f"reflush_required:unit:{treatment_unit_id}:{owed}:part:{part_id or 0}"


def change_due(state: Seen, name: str, asked: dict[str, Any]) -> Candidate:
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
        why=message("{name}: {wear}{rests}.", name=name, wear=_wear_words(state, limit), rests=rests),
        not_before_on=_days(numbers.get("not_before_on")) or asked["early_on"],
        numbers=numbers,
        **asked,
    )


def reflush_required(state: Seen, asked: dict[str, Any], today: date) -> Candidate:
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


def performance_decay(state: Seen, membrane_part_id: int | None, today: date) -> Candidate | None:
    """Ask for a look when normalised performance has changed for certain, never for cold water."""
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
        why=message("{pattern}: {told} against its own baseline.", pattern=pattern, told=told),
        strength=max((abs(change) for change in known.values()), default=0.0),
        not_before_on=today,
        early_on=today,
        likely_on=min(state.crosses_limit_on or today, latest),
        late_on=latest,
        numbers={**state.numbers, "pattern": state.pattern},
    )


def reading_wanted(state: Seen, facts: UnitFacts, today: date) -> Candidate | None:
    """Ask for a reading where the meter has been silent or never spoke."""
    if state.readiness == ReadinessState.OUT_OF_SERVICE:
        return None
    last = state.last_read_at.date() if state.last_read_at else None
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


def feed_test_due(state: Seen, facts: UnitFacts, today: date) -> Candidate | None:
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


def _wear_words(state: Seen, limit: str) -> str:
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


_DATES = ("early_on", "likely_on", "late_on")


@dataclass(frozen=True)
class Asked:
    """How strongly and for when something is asked for. Dates are datetime64[D], NaT where there is none."""

    strength: np.ndarray
    early_on: np.ndarray
    likely_on: np.ndarray
    late_on: np.ndarray

    def rows(self, which: np.ndarray) -> "Asked":
        """Return some of the rows."""
        return Asked(**{name: column[which] for name, column in vars(self).items()})

    def by_row(self) -> list[dict[str, Any]]:
        """Return every row as plain values by name."""
        names = vars(self)
        return [dict(zip(names, row, strict=True)) for row in zip(*map(plains, names.values()), strict=True)]


@dataclass(frozen=True)
class Standing:
    """The findings that stand for some treatment units; their long columns are not read."""

    row_of: dict[str, int]
    """By cause."""
    id: np.ndarray
    is_ahead: np.ndarray
    """Written as of a moment to come, by a clock that ran ahead."""
    asked: Asked

    def rows(self, causes: list[str]) -> np.ndarray:
        """Return the row of each cause, -1 where it does not stand."""
        return np.array([self.row_of.get(cause, -1) for cause in causes], dtype=np.int64)


def read_standing(unit_ids: list[int], now: datetime) -> Standing:
    """Return what stands for these treatment units."""
    dates = ", ".join(days_of_date(name) for name in _DATES)
    where = UnitRange(only_ids=tuple(unit_ids)).where("treatment_unit_id")
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT cause_key, id, strength, changed_at > %s, {dates} FROM fleet_finding "
            f"WHERE {where} AND gone_at IS NULL",
            [connection.ops.adapt_datetimefield_value(now)],
        )
        rows = cursor.fetchall()
    causes, ids, strength, is_ahead, *days = zip(*rows, strict=True) if rows else [()] * 7
    return Standing(
        row_of={cause: row for row, cause in enumerate(causes)},
        id=np.array(ids, dtype=np.int64),
        is_ahead=np.array(is_ahead, dtype=bool),
        asked=Asked(np.array(strength, dtype=np.float64), *map(_as_days, days)),
    )


def _as_days(days: tuple[float | None, ...]) -> np.ndarray:
    values = np.array(days, dtype=np.float64)
    return np.where(
        np.isnan(values), np.datetime64("NaT"), np.nan_to_num(values).astype(np.int64).astype("datetime64[D]")
    )


def asked_of(candidates: list[Candidate]) -> Asked:
    """Return what single findings ask for."""
    return Asked(
        np.array([one.strength for one in candidates], dtype=np.float64),
        *(
            np.array([getattr(one, name) for one in candidates], dtype="datetime64[D]")
            for name in _DATES
        ),
    )  # fmt: skip


def is_stronger(old: Asked, new: Asked) -> np.ndarray:
    """Say of each row whether it should be rewritten: stronger, or its dates moved by days."""
    answer = np.abs(new.strength - old.strength) >= STRENGTH_MOVED
    for name in _DATES:
        before, after = getattr(old, name), getattr(new, name)
        moved = np.abs(after - before) >= np.timedelta64(DAYS_MOVED, "D")
        answer |= moved | (np.isnat(before) != np.isnat(after))
    return answer
