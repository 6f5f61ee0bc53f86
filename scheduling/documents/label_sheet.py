"""Labels with a QR code, on common sheets of labels. No Django."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import segno
from django.utils.translation import gettext

from scheduling.documents.paper import A4_MM, INK, LETTER_MM, SOFT, Label, Paper
from shared.errors import DomainError
from shared.messages import message

QUIET_MODULES: Final = 4
"""Empty modules around a QR code (ISO/IEC 18004, section on the quiet zone: 4). Value from memory."""


@dataclass(frozen=True)
class LabelStock:
    """A sheet of labels: how many, how large, where the first begins, how far the next is. [mm]"""

    name: str
    page: tuple[float, float]
    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    step_x: float
    step_y: float

    @property
    def count(self) -> int:
        """Labels on one sheet."""
        return self.columns * self.rows


STOCKS: Final[dict[str, LabelStock]] = {
    "a4_3x8": LabelStock("A4, 3 × 8 (70 × 37 mm)", A4_MM, 3, 8, 70.0, 37.0, 0.0, 0.5, 70.0, 37.0),
    "a4_2x7": LabelStock("A4, 2 × 7 (99.1 × 38.1 mm)", A4_MM, 2, 7, 99.1, 38.1, 4.65, 15.15, 101.6, 38.1),
    "letter_3x8": LabelStock(
        message("Letter, 3 × 8 (2.6 × 1.25 in)"), LETTER_MM, 3, 8, 66.0, 31.75, 6.0, 12.7, 68.95, 31.75
    ),
    "letter_3x10": LabelStock(
        message("Letter, 3 × 10 (2 5/8 × 1 in)"), LETTER_MM, 3, 10, 66.675, 25.4, 4.7625, 12.7, 69.85, 25.4
    ),
    "letter_2x5": LabelStock(
        message("Letter, 2 × 5 (4 × 2 in)"), LETTER_MM, 2, 5, 101.6, 50.8, 4.0, 12.7, 106.1, 50.8
    ),
}
"""Common ways to divide a sheet. Print one on plain paper and hold it against yours first."""


def label_sheet_pdf(
    labels: Sequence[Label], *, stock: str, first: int = 1, made_at: datetime, fonts: Path | None
) -> bytes:
    """Return labels as a PDF. ``first`` is the place on the first sheet where to begin, from 1.

    Raises DomainError for an unknown sheet, no labels, or a place the sheet does not have.
    """
    if stock not in STOCKS:
        known = ", ".join(one.name for one in STOCKS.values())
        raise DomainError(
            message("There is no sheet {stock!r}.", stock=stock),
            remedy=message("Choose one of: {known}.", known=known),
            field="stock",
        )
    sheet = STOCKS[stock]
    if not labels:
        raise DomainError(
            message("There is nothing to print."),
            remedy=message("Choose at least one treatment unit."),
            field="units",
        )
    if not 1 <= first <= sheet.count:
        raise DomainError(
            message("The sheet has no place {first}.", first=first),
            remedy=message("Begin at 1 to {count}.", count=sheet.count),
            field="first",
        )
    paper = Paper(
        title=gettext("Labels"),
        company=labels[0].company,
        is_metric=sheet.page == A4_MM,
        made_at=made_at,
        fonts=fonts,
        is_bare=True,
    )
    for number, label in enumerate(labels, start=first - 1):
        place = number % sheet.count
        if place == 0 or number == first - 1:
            paper.add_page()
        row, column = divmod(place, sheet.columns)
        _label(paper, label, sheet, sheet.left + column * sheet.step_x, sheet.top + row * sheet.step_y)
    return bytes(paper.output())


def qr_modules(address: str) -> tuple[tuple[int, ...], ...]:
    """Return a QR code as rows of 0 and 1, quiet zone included; a quarter of it may be soiled (level Q)."""
    code = segno.make(address, error="q", micro=False, boost_error=False)
    return tuple(tuple(1 if dark else 0 for dark in row) for row in code.matrix_iter(border=QUIET_MODULES))


def _label(paper: Paper, label: Label, sheet: LabelStock, left: float, top: float) -> None:
    side = min(sheet.height - 5, sheet.width * 0.45)
    _draw_code(paper, qr_modules(label.address), left + 2, top + (sheet.height - side) / 2, side)
    text_left = left + 3 + side
    width = sheet.width - side - 6
    paper.set_xy(text_left, top + 4)
    paper.type(11, bold=True)
    paper.multi_cell(
        width, 4.8, paper.said(label.serial), align="L", new_x="LEFT", new_y="NEXT", max_line_height=4.8
    )
    paper.set_x(text_left)
    paper.type(7)
    for text, colour in ((label.line, INK), (label.company, SOFT), (label.foot, SOFT)):
        if text and paper.get_y() < top + sheet.height - 6:
            paper.set_x(text_left)
            paper.type(7, colour=colour)
            shown = shortened(text, 60)
            paper.multi_cell(width, 3, paper.said(shown), align="L", new_x="LEFT", new_y="NEXT")
    paper.type()


def shortened(text: str, most: int) -> str:
    """Return text that is no longer than ``most`` characters."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def _draw_code(paper: Paper, modules: Sequence[Sequence[int]], left: float, top: float, side: float) -> None:
    """Draw dark modules as black runs; vectors stay sharp at every size."""
    step = side / len(modules)
    paper.set_fill_color(0, 0, 0)
    for row, line in enumerate(modules):
        column = 0
        while column < len(line):
            run = 0
            while column + run < len(line) and line[column + run]:
                run += 1
            if run:
                paper.rect(left + column * step, top + row * step, run * step, step, style="F")
            column += max(run, 1)
