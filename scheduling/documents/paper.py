"""What a printed document says, as plain data. No Django: whoever reads the database fills these in.

The look of every printed document: type, headings, cautions, tables, page numbers. No Django.
"""

import logging
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from django.utils.translation import gettext, gettext_lazy
from fpdf import FPDF
from fpdf.enums import MethodReturnValue, TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from shared.translation import translate, written

Stroke = Sequence[tuple[float, float]]
"""One line of a pen, point by point, in any measure; y grows downwards."""


@dataclass(frozen=True)
class ReadingLine:
    """One gauge before and after the work, as shown; "" where it was not read."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class PartLine:
    """One part that came out or went in. ``reason`` only for one that came out."""

    position: str
    name: str
    serial: str
    lot: str
    reason: str = ""


@dataclass(frozen=True)
class FlushLine:
    """One recorded flush."""

    kind_word: str
    volume: str
    minutes: str
    ran_clear: bool


@dataclass(frozen=True)
class StepLine:
    """One step of the sheet. ``is_done`` is None on a sheet that is still to be worked."""

    text: str
    is_hazard_control: bool
    is_done: bool | None = None
    because: str = ""


@dataclass(frozen=True)
class DueLine:
    """When a part in place is due next."""

    position: str
    name: str
    early_on: date | None
    likely_on: date | None
    late_on: date | None


@dataclass(frozen=True)
class PhotoLine:
    """One photo of a visit; no bytes where its file is gone."""

    caption: str
    jpeg: bytes


@dataclass(frozen=True)
class ServiceReport:
    """What was found and done at one visit, for the customer's file. Holds no money."""

    company: str
    number: str
    kind_word: str
    outcome_word: str
    undone: str
    customer: str
    site: str
    address: str
    serial: str
    unit_label: str
    technician: str
    finished_at: datetime
    minutes: int
    why: str
    cautions: list[str]
    readings_before_at: datetime | None
    readings: list[ReadingLine]
    parts_out: list[PartLine]
    parts_in: list[PartLine]
    flushes: list[FlushLine]
    steps: list[StepLine]
    sheet_version: int | None
    follow_up: str
    readiness_word: str
    owed_word: str
    next_due: list[DueLine]
    assessed_at: datetime | None
    note: str
    signed_by: str
    signature: list[Stroke]
    signature_is_readable: bool
    photos: list[PhotoLine]


@dataclass(frozen=True)
class LoadLine:
    """Parts of one kind to have on the van."""

    name: str
    code: str
    needed: int
    on_van: int

    @property
    def missing(self) -> int:
        """How many to take from the shelf."""
        return max(0, self.needed - self.on_van)


@dataclass(frozen=True)
class SheetOrder:
    """One order on a work sheet."""

    number: str
    kind_word: str
    serial: str
    unit_label: str
    mains_voltage: int
    readiness_word: str
    minutes: int
    why: str
    parts: list[str]
    positions: list[str]
    to_drain: str
    steps: list[StepLine]
    is_over: bool


@dataclass(frozen=True)
class SheetStop:
    """One stop on a work sheet."""

    place: int
    site: str
    address: str
    access_note: str
    contact: str
    arrives_at: datetime
    promised: tuple[datetime, datetime] | None
    orders: list[SheetOrder]


@dataclass(frozen=True)
class WorkSheet:
    """A technician's day on paper."""

    company: str
    technician: str
    day: date
    leaves_at: datetime
    returns_at: datetime
    is_in_force: bool
    cautions: list[str]
    load: list[LoadLine]
    kit: list[str]
    """What else to take along, as told."""
    gauges: list[str]
    stops: list[SheetStop]


@dataclass(frozen=True)
class Label:
    """A label with a code: of a treatment unit, or of a part on the shelf."""

    address: str
    serial: str
    line: str
    company: str
    foot: str = gettext_lazy("Scan for this unit's page.")


INK: Final = (22, 35, 42)
SOFT: Final = (77, 91, 97)
ACCENT: Final = (11, 90, 99)
LINE: Final = (170, 178, 172)
SUNK: Final = (233, 236, 230)
WATCH: Final = (122, 77, 0)
WATCH_WASH: Final = (251, 236, 201)
BAD: Final = (161, 38, 27)
MARGIN_MM: Final = 15
TEXT_PT: Final = 9.5
LETTER_MM: Final = (215.9, 279.4)
A4_MM: Final = (210.0, 297.0)
FOOT: Final = gettext_lazy(
    "Dates are advice from readings, laws and ratings. The maker's manual, local code "
    "and licensed trades come first."
)

# A name in a script the font lacks is printed as boxes; that is told once here, not per page.
logging.getLogger("fpdf.output").setLevel(logging.ERROR)


@cache
def font_folder() -> Path | None:
    """Return the folder of a font that knows most alphabets, or None.

    DejaVu Sans comes with matplotlib, which lifelines brings along; nothing of it is imported.
    """
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        return None
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    return folder if (folder / "DejaVuSans-Bold.ttf").exists() else None


def plain(text: str) -> str:
    """Return text without control characters, so that no name upsets a page. Line breaks stay."""
    kept = (one for one in text if one == "\n" or unicodedata.category(one)[0] != "C")
    return "".join(kept)


def latin(text: str) -> str:
    """Return text in the letters a built-in font has: accents dropped, what is left over as "?"."""
    table = {"–": "-", "—": "-", "−": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "…": "...", "≥": ">=",
             "≤": "<=", "→": "->", "•": "-"}  # fmt: skip
    known = "".join(table.get(one, one) for one in text)
    letters = []
    for one in known:
        if ord(one) > 255:
            bare = "".join(
                part for part in unicodedata.normalize("NFKD", one) if not unicodedata.combining(part)
            )
            one = bare if bare and all(ord(part) < 256 for part in bare) else "?"
        letters.append(one)
    return "".join(letters)


def day(value: date | None) -> str:
    """Write a day the same everywhere, e.g. 3 Nov 2026."""
    return f"{value.day} {written(value, '%b %Y')}" if value else "–"


def moment(value: datetime) -> str:
    """Write a moment as the clock on the wall shows it."""
    return f"{day(value)}, {value:%H:%M}"


class Paper(FPDF):
    """A document with our heading, page numbers and parts to build it from. Sizes in mm, type in points."""

    def __init__(
        self,
        *,
        title: str,
        company: str,
        is_metric: bool,
        made_at: datetime,
        fonts: Path | None = None,
        is_bare: bool = False,
    ) -> None:
        super().__init__(unit="mm", format=A4_MM if is_metric else LETTER_MM)
        self.document_title = title
        self.company = company
        self.is_bare = is_bare
        self.has_letters = fonts is not None
        self.family = "sans" if fonts else "helvetica"
        if fonts:
            self.add_font("sans", "", fonts / "DejaVuSans.ttf")
            self.add_font("sans", "B", fonts / "DejaVuSans-Bold.ttf")
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(not is_bare, margin=18)
        self.alias_nb_pages()
        self.set_title(self.said(title))
        self.set_author(self.said(company))
        self.set_lang("en")
        self.set_creation_date(made_at)
        self.type()

    def said(self, text: str) -> str:
        """Return text as this document's font can show it."""
        return plain(text) if self.has_letters else latin(plain(text))

    def type(self, points: float = TEXT_PT, *, bold: bool = False, colour: tuple = INK) -> None:
        """Choose size, weight and colour."""
        self.set_font(self.family, "B" if bold else "", points)
        self.set_text_color(*colour)

    def header(self) -> None:
        """Print company and title at the head of each page."""
        if self.is_bare:
            return
        self.type(8.5, bold=True, colour=ACCENT)
        self.cell(self.epw / 2, 5, self.said(self.company))
        self.type(8.5, colour=SOFT)
        self.cell(
            self.epw / 2, 5, self.said(self.document_title), align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
        self.set_draw_color(*ACCENT)
        self.set_line_width(0.5)
        self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
        self.ln(4)
        self.type()

    def footer(self) -> None:
        """Print the page's number and what comes first."""
        if self.is_bare:
            return
        self.set_y(-13)
        self.type(7, colour=SOFT)
        self.cell(self.epw - 22, 4, self.said(FOOT))
        self.cell(22, 4, gettext("Page %(page_no)s of {nb}") % {"page_no": self.page_no()}, align="R")

    def heading(self, text: str, *, room_mm: float = 20) -> None:
        """Print a section's heading; it never stands alone at a page's foot."""
        if self.will_page_break(room_mm):
            self.add_page()
        self.ln(2.5)
        self.type(11, bold=True, colour=ACCENT)
        self.flow(text, 5.5)
        self.ln(0.8)
        self.type()

    def flow(self, text: str, line_mm: float, width: float = 0) -> None:
        """Print text from here on, wrapped at the margin, and go to the next line's start."""
        self.multi_cell(width, line_mm, self.said(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def text_block(self, text: str, *, bold: bool = False, colour: tuple = INK) -> None:
        """Print a paragraph."""
        self.type(bold=bold, colour=colour)
        self.flow(text, 4.6)
        self.type()

    def facts(self, pairs: Sequence[tuple[str, str]]) -> None:
        """Print words beside values; empty values are left out."""
        for word, value in pairs:
            if not value:
                continue
            if self.will_page_break(5):
                self.add_page()
            top = self.get_y()
            self.type(colour=SOFT)
            self.cell(34, 4.8, self.said(word))
            self.type()
            self.set_xy(self.l_margin + 34, top)
            self.flow(value, 4.8)

    def cautions(self, cautions: Sequence[str]) -> None:
        """Print cautions in a box of their own, before any work."""
        if not cautions:
            return
        cautions = [translate(text) for text in cautions]
        self.type(9)
        inner = self.epw - 9
        heights = [self._height_of(f"• {text}", inner) for text in cautions]
        if self.will_page_break(min(sum(heights) + 10, self.eph - 5)):
            self.add_page()
        top = self.get_y()
        whole = sum(heights) + 8.5
        self.set_fill_color(*WATCH_WASH)
        self.set_draw_color(*WATCH)
        self.set_line_width(0.4)
        self.rect(self.l_margin, top, self.epw, whole, style="DF")
        self.set_fill_color(*WATCH)
        self.rect(self.l_margin, top, 2.5, whole, style="F")
        self.set_xy(self.l_margin + 6, top + 1.8)
        self.type(10, bold=True, colour=WATCH)
        self.cell(inner, 5, gettext("Cautions first"), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.type(9)
        for text in cautions:
            self.set_x(self.l_margin + 6)
            self.flow(f"• {text}", 4.4, inner)
        self.set_y(top + whole + 1.5)
        self.type()

    def grid(
        self,
        heads: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths: Sequence[int],
        *,
        right_from: int = 99,
    ) -> None:
        """Print a table; columns from number ``right_from`` on are numbers."""
        self.type(8.8)
        self.set_draw_color(*LINE)
        self.set_line_width(0.2)
        self.set_fill_color(255, 255, 255)
        head_style = FontFace(emphasis="BOLD", color=INK, fill_color=SUNK)
        align = tuple("RIGHT" if number >= right_from else "LEFT" for number in range(len(heads)))
        with self.table(
            width=self.epw,
            col_widths=tuple(widths),
            headings_style=head_style,
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            line_height=4.4,
            padding=(0.8, 1.5),
            text_align=align,
        ) as table:
            for cells in [heads, *rows]:
                row = table.row()
                for cell in cells:
                    row.cell(self.said(cell))
        self.ln(1)
        self.type()

    def box(self, x: float, y: float, size: float, *, ticked: bool = False) -> None:
        """Draw a tick box."""
        self.set_draw_color(*INK)
        self.set_line_width(0.3)
        self.rect(x, y, size, size)
        if ticked:
            self.set_line_width(0.6)
            self.polyline([(x + 0.2 * size, y + 0.55 * size), (x + 0.42 * size, y + 0.8 * size),
                           (x + 0.85 * size, y + 0.18 * size)])  # fmt: skip

    def _height_of(self, text: str, width: float) -> float:
        return float(
            self.multi_cell(
                width, 4.4, self.said(text), align="L", dry_run=True, output=MethodReturnValue.HEIGHT
            )
        )
