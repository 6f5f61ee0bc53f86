"""Where things stand in the drawing of a treatment unit: positions along the water, meters, gauges."""

from dataclasses import dataclass, field
from typing import Final

from django.utils.translation import gettext, pgettext

from fleet.display.figures import wear_tone, wear_words

BOX_WIDTH: Final = 104
BOX_HEIGHT: Final = 84
BAR_WIDTH: Final = 80
GAP: Final = 40
LEFT: Final = 74
TOP: Final = 46


@dataclass(frozen=True)
class PlacedPart:
    """What the drawing needs of one position."""

    code: str
    water: str
    role: str
    part_name: str
    wear: float | None


@dataclass(frozen=True)
class Box:
    """One position as drawn."""

    x: int
    y: int
    label: str
    name: str
    words: str
    short: str
    """The same as fits inside the box."""
    tone: str
    level: int
    """Length of the bar that shows wear."""
    is_membrane: bool


@dataclass(frozen=True)
class Round:
    """A meter or gauge: a circle with a letter, told below."""

    x: int
    y: int
    letter: str
    told: str


@dataclass(frozen=True)
class Schematic:
    """The whole drawing, in its own units."""

    width: int
    height: int
    middle: int
    boxes: list[Box]
    feed_to: int
    """Where feed ends and permeate begins."""
    drain_x: int | None
    rounds: list[Round] = field(default_factory=list)
    words: str = ""


def lay_out(parts: list[PlacedPart], meters: dict[str, str], gauges: dict[str, str]) -> Schematic:
    """Place the positions feed first, the membrane where feed becomes permeate and concentrate leaves.

    Parameters
    ----------
    parts : list of PlacedPart
        In the order of the water.
    meters : dict of water to text
        ``feed``, ``permeate``, ``concentrate``.
    gauges : dict of name to text
        ``feed``, ``concentrate``, ``permeate`` pressure as last read.
    """
    boxes = [_box(place, part) for place, part in enumerate(parts)]
    middle = TOP + BOX_HEIGHT // 2
    membranes = [box for box in boxes if box.is_membrane]
    end = LEFT + len(boxes) * (BOX_WIDTH + GAP)
    feed_to = membranes[-1].x + BOX_WIDTH // 2 if membranes else end
    drain_x = membranes[-1].x + BOX_WIDTH // 2 if membranes else None
    rounds = _rounds(membranes, end, middle, meters, gauges, drain_x)
    words = "; ".join(f"{box.label}: {box.name}, {box.words}" for box in boxes)
    return Schematic(
        end + 96,
        TOP + BOX_HEIGHT + (96 if drain_x else 40),
        middle,
        boxes,
        feed_to,
        drain_x,
        rounds,
        gettext("From feed to permeate: %(words)s.") % {"words": words}
        if boxes
        else gettext("No position is known."),
    )


def _box(place: int, part: PlacedPart) -> Box:
    level = round(BAR_WIDTH * min(max(part.wear or 0.0, 0.0), 1.0))
    return Box(
        x=LEFT + place * (BOX_WIDTH + GAP),
        y=TOP,
        label=part.code.replace("_", " ").replace("-", " "),
        name=part.part_name or gettext("empty"),
        words=wear_words(part.wear) if part.part_name else gettext("nothing in place"),
        short=_short(part),
        tone=wear_tone(part.wear) if part.part_name else "off",
        level=level,
        is_membrane=part.role == "membrane",
    )


def _short(part: PlacedPart) -> str:
    if not part.part_name:
        return pgettext("inside a small box", "nothing in place")
    if part.wear is None:
        return pgettext("inside a small box", "Wear not known")
    return f"{part.wear:.0%}" if part.wear < 3 else pgettext("inside a small box", "Far past limit")


def _rounds(
    membranes: list[Box], end: int, middle: int, meters: dict[str, str], gauges: dict[str, str],
    drain_x: int | None,
) -> list[Round]:  # fmt: skip
    rounds = []
    if "feed" in meters:
        rounds.append(Round(LEFT - 22, middle, "M", meters["feed"]))
    if "permeate" in meters:
        rounds.append(Round(end + 14, middle, "M", meters["permeate"]))
    if membranes and "feed" in gauges:
        rounds.append(Round(membranes[0].x - GAP // 2, middle, "P", gauges["feed"]))
    if membranes and "permeate" in gauges:
        rounds.append(Round(membranes[-1].x + BOX_WIDTH + GAP // 2, middle, "P", gauges["permeate"]))
    if drain_x is not None:
        if "concentrate" in gauges:
            rounds.append(Round(drain_x, TOP + BOX_HEIGHT + 24, "P", gauges["concentrate"]))
        if "concentrate" in meters:
            rounds.append(Round(drain_x, TOP + BOX_HEIGHT + 56, "M", meters["concentrate"]))
    return rounds
