"""All sites on a plain map: which need somebody now, which soon, which are in order."""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, NamedTuple

from django.db.models import Count, Exists, OuterRef, Q, QuerySet
from django.utils.translation import gettext, gettext_lazy, ngettext

from fleet.models import ReadinessState, Site, TreatmentUnit, UnitState
from scheduling.models import WorkOrder
from scheduling.orders.kinds import WORK_KINDS
from scheduling.pages.maps import FlatMap, Tile, drawing_of

CELL: Final = 34.0
"""Sites nearer to each other than this share one mark. [drawing points]"""
ROWS_SHOWN: Final = 50
SOON_DAYS: Final = 7
TONES: Final = {"now": "bad", "soon": "watch", "well": "good"}
WORDS: Final = {
    "now": gettext_lazy("Needs somebody now"),
    "soon": gettext_lazy("Within a week"),
    "well": gettext_lazy("Nothing soon"),
}
_RANK: Final = {"now": 0, "soon": 1, "well": 2}


class SiteRow(NamedTuple):
    """One site with what is open there."""

    code: str
    name: str
    area: str
    customer: str
    latitude: float
    longitude: float
    units: int
    orders: int
    late: int
    due_soon: int
    flush_owed: int
    decaying: int

    @property
    def state(self) -> str:
        """Return now, soon or well."""
        if self.late or self.flush_owed:
            return "now"
        return "soon" if self.due_soon or self.decaying else "well"

    @property
    def word(self) -> str:
        """Return the state in words."""
        return WORDS[self.state]

    @property
    def tone(self) -> str:
        """Return the tone of its mark."""
        return TONES[self.state]

    @property
    def why(self) -> str:
        """Say in a few words what is open."""
        parts = [
            (self.flush_owed, ngettext("%(n)s flush owed", "%(n)s flushes owed", self.flush_owed)),
            (self.late, ngettext("%(n)s order late", "%(n)s orders late", self.late)),
            (self.due_soon, gettext("%(n)s due within a week")),
            (self.decaying, ngettext("%(n)s membrane decaying", "%(n)s membranes decaying", self.decaying)),
        ]
        said = [words % {"n": count} for count, words in parts if count]
        return ", ".join(said) or gettext("nothing within a week")


@dataclass(frozen=True)
class SiteMark:
    """One mark on the map: a site, or several too near to tell apart."""

    x: float
    y: float
    sites: list[SiteRow]

    @property
    def worst(self) -> SiteRow:
        """Return the site that needs somebody most."""
        return min(self.sites, key=lambda row: _RANK[row.state])

    @property
    def title(self) -> str:
        """Say what the mark stands for."""
        if len(self.sites) == 1:
            return f"{self.sites[0].name}: {self.sites[0].why}"
        needing = sum(row.state == "now" for row in self.sites)
        return gettext("%(sites)s sites, %(needing)s of them need somebody now") % {
            "sites": len(self.sites),
            "needing": needing,
        }

    @property
    def box(self) -> str:
        """Return the corner of the earth that holds its sites, as a query."""
        pad = 0.004
        return (
            f"south={min(row.latitude for row in self.sites) - pad:.5f}"
            f"&north={max(row.latitude for row in self.sites) + pad:.5f}"
            f"&west={min(row.longitude for row in self.sites) - pad:.5f}"
            f"&east={max(row.longitude for row in self.sites) + pad:.5f}"
        )

    @property
    def is_one_place(self) -> bool:
        """Say whether looking nearer would not part them."""
        return len({(round(row.latitude, 4), round(row.longitude, 4)) for row in self.sites}) == 1


@dataclass(frozen=True)
class Box:
    """A corner of the earth. [degrees]"""

    south: float
    north: float
    west: float
    east: float


@dataclass(frozen=True)
class SiteMap:
    """The whole page."""

    width: float
    height: float
    marks: list[SiteMark]
    rows: list[SiteRow]
    counts: list[tuple[str, str, str, int]]
    unplaced: int
    scale_points: float
    scale_text: str
    tiles: Sequence[Tile] = ()

    @property
    def scale_y(self) -> int:
        """Where the scale bar stands."""
        return round(self.height) - 16


def site_rows(
    *, today: date, branch_id: int | None, state: str = "", box: Box | None = None
) -> list[SiteRow]:
    """Return every site with a position, the most urgent first. Three queries, however many sites."""
    sites = _sites(branch_id).exclude(latitude=None).exclude(longitude=None)
    if box:
        sites = sites.filter(latitude__range=(box.south, box.north), longitude__range=(box.west, box.east))
    orders = _open_work(today, branch_id)
    units = _unit_counts(branch_id)
    fields = ("pk", "code", "name", "area", "customer__name", "latitude", "longitude")
    rows = []
    nothing = (0, 0, 0)
    for pk, *named in sites.values_list(*fields):
        unit_count, owed, decaying = units.get(pk, nothing)
        rows.append(SiteRow(*named, unit_count, *orders.get(pk, nothing), owed, decaying))
    if state:
        rows = [row for row in rows if row.state == state]
    rows.sort(key=lambda row: (_RANK[row.state], -row.flush_owed, -row.late, -row.due_soon, row.name))
    return rows


def site_map(
    *,
    today: date,
    branch_id: int | None,
    is_metric: bool,
    state: str = "",
    box: Box | None = None,
    tiles_at: str = "",
) -> SiteMap | None:
    """Return the map and its table; None where no site with a position fits."""
    every = site_rows(today=today, branch_id=branch_id, box=box)
    states = Counter(row.state for row in every)
    rows = [row for row in every if row.state == state] if state else every
    if not rows:
        return None
    flat = drawing_of([(row.latitude, row.longitude) for row in rows], tiles_at)
    length, text = flat.scale(is_metric)
    return SiteMap(
        width=1000,
        height=flat.height,
        marks=_marks(rows, flat),
        rows=rows[:ROWS_SHOWN],
        counts=[(key, WORDS[key], TONES[key], states[key]) for key in _RANK],
        unplaced=_sites(branch_id).filter(Q(latitude=None) | Q(longitude=None)).count(),
        scale_points=length,
        scale_text=text,
        tiles=flat.tiles,
    )


def site_geojson(rows: list[SiteRow]) -> dict:
    """Return sites as GeoJSON points (RFC 7946)."""
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": [row.longitude, row.latitude]},
                "properties": {
                    "code": row.code, "name": row.name, "area": row.area, "treatment_units": row.units,
                    "state": row.word, "why": row.why,
                },
            }
            for row in rows
        ],
    }  # fmt: skip


def _sites(branch_id: int | None) -> QuerySet[Site]:
    sites = Site.objects.filter(Exists(TreatmentUnit.objects.filter(site=OuterRef("pk")))).order_by()
    return sites.filter(branch_id=branch_id) if branch_id else sites


def _open_work(today: date, branch_id: int | None) -> dict[int, tuple[int, int, int]]:
    orders = WorkOrder.objects.open().order_by()
    if branch_id:
        orders = orders.filter(site__branch_id=branch_id)
    late = Q(window_to__lt=today)
    soon = ~late & Q(window_to__lte=today + timedelta(days=SOON_DAYS))
    urgent = Q(kind__in=[one.kind for one in WORK_KINDS.values() if one.is_urgent])
    counted = orders.values_list("site").annotate(
        total=Count("pk"), late=Count("pk", filter=late), soon=Count("pk", filter=soon | (urgent & ~late))
    )
    return {row[0]: row[1:] for row in counted}


def _unit_counts(branch_id: int | None) -> dict[int, tuple[int, int, int]]:
    states = UnitState.objects.order_by()
    if branch_id:
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    counted = states.values_list("treatment_unit__site").annotate(
        units=Count("pk"),
        owed=Count("pk", filter=Q(readiness=ReadinessState.FLUSH_OWED)),
        decaying=Count("pk", filter=Q(is_decaying=True)),
    )
    return {row[0]: row[1:] for row in counted}


def _marks(rows: list[SiteRow], flat: FlatMap) -> list[SiteMark]:
    # Each site joins the first mark within a cell's width; only nine cells are asked.
    cells: dict[tuple[int, int], list[list[tuple[float, float, SiteRow]]]] = defaultdict(list)
    for row in rows:
        x, y = flat.at(row.latitude, row.longitude)
        column, line = int(x // CELL), int(y // CELL)
        held = _near(cells, column, line, x, y)
        if held is None:
            cells[column, line].append([(x, y, row)])
        else:
            held.append((x, y, row))
    return [
        SiteMark(held[0][0], held[0][1], [row for _, _, row in held])
        for groups in cells.values()
        for held in groups
    ]


def _near(cells: dict, column: int, line: int, x: float, y: float) -> list | None:
    for c in (column - 1, column, column + 1):
        for r in (line - 1, line, line + 1):
            for held in cells.get((c, r), ()):
                if math.hypot(held[0][0] - x, held[0][1] - y) < CELL:
                    return held
    return None
