"""Makes lives of parts from the days on which they were changed, as columns and past visits tell them."""

import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from typing import Final

from fleet.models import PartRole
from scheduling.workbook.mapping.targets import names_all_filters, roles_in

FROM: Final = "# from"
"""Column of remarks that says which sheet and row of the company's own file a row was made from."""
ALONG_WATER: Final = {
    PartRole.SEDIMENT: (10, "feed"),
    PartRole.SOFTENING: (20, "feed"),
    PartRole.CATALYTIC_CARBON: (30, "feed"),
    PartRole.CARBON: (40, "feed"),
    PartRole.ANTISCALE: (50, "feed"),
    PartRole.MEMBRANE: (60, "permeate"),
    PartRole.POST_CARBON: (70, "permeate"),
    PartRole.REMINERALISER: (80, "permeate"),
}
"""Place along the water, feed first, and the water a part of the role sees (common practice)."""
FLUSHED: Final = (PartRole.CARBON, PartRole.CATALYTIC_CARBON, PartRole.POST_CARBON, PartRole.MEMBRANE)
"""Roles whose parts are flushed when new."""
_FILTERS: Final = (PartRole.SEDIMENT, PartRole.CARBON)
"""What "filters changed" means where nothing is known of a unit (common practice)."""
_ALL = "*"
Rows = list[dict[str, object]]


class Lives:
    """Collects changes; ``rows`` makes parts of them, and flushes of what lies before a go-live date."""

    def __init__(self, positions: Mapping[tuple[str, str], str], go_live_on: date | None) -> None:
        self.positions, self.go_live_on = positions, go_live_on
        self.changes: dict[str, dict[str, dict[datetime, tuple[str, str]]]] = defaultdict(dict)
        """Days a position was filled, with article and source, by serial and position."""
        self.visits: list[tuple[str, datetime, set[str], str]] = []

    def change(self, serial: str, role: str, number: str, at: object, kind: str, source: str) -> None:
        """Note that a position was filled; ``number`` tells the second of a role from the first."""
        if isinstance(at, datetime):
            position = self.positions.get((serial, role)) if not number else None
            self.changes[serial].setdefault(position or role + number, {})[at] = (kind, source)

    def visit(self, serial: str, at: datetime, work: str, source: str) -> None:
        """Note a past visit by what was written of it."""
        roles = roles_in(work)
        if names_all_filters(work) and not roles:
            roles = {_ALL}
        self.visits.append((serial, at, roles, source))

    def rows(self, kind_of: Callable[[str, str], str], roles: Mapping[str, str]) -> tuple[Rows, Rows]:
        """Return rows of parts and of flushes. A change ends the life before it, for a reason unknown."""
        self._take_visits(kind_of)
        parts: Rows = []
        flushes: Rows = []
        for serial, places in self.changes.items():
            for place, changes in places.items():
                days = sorted(changes)
                for at, following in zip(days, [*days[1:], None], strict=True):
                    parts.append(self._part(serial, place, at, following, *changes[at]))
                last, (kind, source) = days[-1], changes[days[-1]]
                is_settled = self.go_live_on is not None and last.date() < self.go_live_on
                if is_settled and roles.get(kind) in FLUSHED:
                    flushes.append(_flush(serial, place, roles[kind], last, source))
        return parts, flushes

    def _take_visits(self, kind_of: Callable[[str, str], str]) -> None:
        for serial, at, roles, source in self.visits:
            there = self.changes[serial]
            places = roles
            if roles == {_ALL}:
                filters = {place for place in there if not place.startswith("membrane")}
                places = filters or set(map(str, _FILTERS))
            for place in places:
                role = _role(place)
                if role not in ALONG_WATER:
                    continue
                known = there.setdefault(place, {})
                kind = next(iter(known.values()))[0] if known else kind_of(role, role)
                if at.date() not in {day.date() for day in known}:
                    known[at] = (kind, source)

    def _part(
        self, serial: str, place: str, at: datetime, following: datetime | None, kind: str, source: str
    ) -> dict[str, object]:
        row: dict[str, object] = {
            "treatment_unit": serial, "position": place, "kind": kind, "installed_at": at, FROM: source,
        }  # fmt: skip
        role = _role(place)
        if (serial, role) not in self.positions and role in ALONG_WATER:
            order, water = ALONG_WATER[role]
            row |= {"order": order + int(place.removeprefix(role) or 1) - 1, "water": water}
        if following is not None:
            row |= {"removed_at": following, "removal_reason": "unknown"}
        return row


def _role(place: str) -> str:
    return re.sub(r"\d+$", "", place)


def _flush(serial: str, place: str, role: str, at: datetime, source: str) -> dict[str, object]:
    kind = "membrane_storage_solution" if role == PartRole.MEMBRANE else "carbon_fines"
    return {
        "treatment_unit": serial, "position": place, "kind": kind,
        "flushed_at": at + timedelta(minutes=30), "ran_clear": True, FROM: source,
    }  # fmt: skip
