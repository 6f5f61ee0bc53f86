"""The customer's report of one visit, on one page: what was done, the water, what comes next. No Django."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

from django.utils.translation import gettext

from scheduling.documents.paper import ACCENT, BAD, LINE, SOFT, Paper, PhotoLine, day, moment
from scheduling.documents.pictures import draw_photos

MOST_UNITS: Final = 2
MOST_LINES: Final = 4
LONGEST_NOTE: Final = 300
"""What is beyond these stands in the service reports; the page stays one."""
TREND_MM: Final = (60.0, 14.0)


@dataclass(frozen=True)
class WaterLine:
    """One measure of the water as found, as left and as promised; "" where it was not read or promised."""

    label: str
    found: str
    left: str
    promised: str = ""


@dataclass(frozen=True)
class UnitVisited:
    """What was done at one treatment unit, in plain words, and what its water was."""

    name: str
    done: list[str]
    water: list[WaterLine]
    seen: list[str]
    trend: list[tuple[date, float]]
    """Permeate conductivity, oldest first. [µS/cm]"""
    promised_us_cm: float | None


@dataclass(frozen=True)
class VisitReport:
    """What a customer is told of one visit. Holds no money."""

    company: str
    number: str
    customer: str
    site: str
    technician: str
    finished_at: datetime
    minutes: int
    units: list[UnitVisited]
    note: str
    next_visit: str
    photos: list[PhotoLine]
    signed_by: str


def visit_report_pdf(report: VisitReport, *, is_metric: bool, made_at: datetime, fonts: Path | None) -> bytes:
    """Return the report as a PDF of one page; A4 for metric people, Letter for others."""
    paper = Paper(
        title=gettext("Visit report %(number)s") % {"number": report.number},
        company=report.company, is_metric=is_metric, made_at=made_at, fonts=fonts,
    )  # fmt: skip
    paper.add_page()
    paper.set_auto_page_break(False)
    paper.type(15, bold=True)
    paper.flow(gettext("Our visit on %(day)s") % {"day": day(report.finished_at.date())}, 7)
    paper.facts([
        (gettext("For"), ", ".join(filter(None, (report.customer, report.site)))),
        (gettext("Technician"), report.technician),
        (gettext("Finished"), gettext("%(moment)s, %(minutes)s min on site")
         % {"moment": moment(report.finished_at), "minutes": report.minutes}),
    ])  # fmt: skip
    for unit in report.units[:MOST_UNITS]:
        _unit(paper, unit)
    if len(report.units) > MOST_UNITS:
        more = gettext("%(number)s more treatment units: see their service reports.")
        paper.text_block(more % {"number": len(report.units) - MOST_UNITS}, colour=SOFT)
    if report.note:
        paper.heading(gettext("The technician’s words"), room_mm=0)
        paper.text_block(report.note[:LONGEST_NOTE] + "…" * (len(report.note) > LONGEST_NOTE))
    paper.heading(gettext("Next visit"), room_mm=0)
    paper.text_block(report.next_visit or gettext("Nothing is due yet; we tell you before we come."))
    if report.signed_by:
        signed = gettext("Signed for on site by %(name)s.") % {"name": report.signed_by}
        paper.text_block(signed, colour=SOFT)
    if report.photos and paper.get_y() < paper.h - 75:
        paper.heading(gettext("Photos"), room_mm=0)
        draw_photos(paper, report.photos[:3])
    return bytes(paper.output())


def _unit(paper: Paper, unit: UnitVisited) -> None:
    paper.heading(unit.name, room_mm=0)
    for text in unit.done[:MOST_LINES]:
        paper.text_block(f"• {text}")
    if unit.water:
        rows = [[one.label, one.found or "–", one.left or "–", one.promised or "–"] for one in unit.water]
        heads = [gettext("Water"), gettext("As found"), gettext("As left"), gettext("Promised")]
        paper.grid(heads, rows, [46, 28, 28, 28], right_from=1)
    for text in unit.seen[:MOST_LINES]:
        paper.text_block(text, colour=SOFT)
    if len(unit.trend) > 1:
        _trend(paper, unit.trend, unit.promised_us_cm)


def _trend(paper: Paper, points: Sequence[tuple[date, float]], promised: float | None) -> None:
    """Draw how the permeate's conductivity went, with the promise as a line, and say it in words."""
    left, top = paper.l_margin, paper.get_y() + 1
    wide, high = TREND_MM
    first, last = points[0][0], points[-1][0]
    most = max([value for _, value in points] + ([promised] if promised else [])) or 1.0
    span = max((last - first).days, 1)
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.2)
    paper.rect(left, top, wide, high)
    if promised:
        paper.set_draw_color(*BAD)
        level = top + high * (1 - promised / most)
        paper.line(left, level, left + wide, level)
    paper.set_draw_color(*ACCENT)
    paper.set_line_width(0.5)
    paper.polyline([
        (left + wide * (at - first).days / span, top + high * (1 - value / most)) for at, value in points
    ])  # fmt: skip
    paper.set_xy(left + wide + 4, top)
    told = gettext("Conductivity of your water, %(first)s to %(last)s: from %(begin)s to %(end)s µS/cm.") % {
        "first": day(first), "last": day(last), "begin": f"{points[0][1]:.0f}", "end": f"{points[-1][1]:.0f}",
    }  # fmt: skip
    if promised:
        told += " " + gettext("The red line is what we promised.")
    paper.type(8, colour=SOFT)
    paper.multi_cell(paper.epw - wide - 4, 4, paper.said(told), align="L")
    paper.set_xy(left, top + high + 1.5)
    paper.type()
