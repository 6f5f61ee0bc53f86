"""Photos of a visit in a document: small, three in a row, each with its caption. No Django.

Reads pen strokes as the phone stores them, and draws them. No Django.
The service report: what was read, changed, flushed and left, and when each part is due next. No Django.
The work sheet: a technician's day on paper, cautions first, with room to write. No Django.
"""

import json
from collections.abc import Sequence
from datetime import datetime
from io import BytesIO
from math import isfinite
from pathlib import Path
from typing import Final

from django.utils.translation import gettext, gettext_lazy
from PIL import Image

from scheduling.documents.paper import (
    BAD,
    INK,
    LINE,
    SOFT,
    Paper,
    PartLine,
    PhotoLine,
    ServiceReport,
    SheetOrder,
    SheetStop,
    StepLine,
    Stroke,
    WorkSheet,
    day,
    moment,
)
from shared.translation import translate, written

IN_A_ROW: Final = 3
GAP_MM: Final = 4
HEIGHT_MM: Final = 42
CAPTION_MM: Final = 9
LONGEST_SIDE_PX: Final = 600
"""Enough for a picture 5 cm wide in print, and 30 of them stay under 2 MB."""


def draw_photos(paper: Paper, photos: list[PhotoLine]) -> None:
    """Draw photos row by row; one that can't be read leaves an empty frame that says so."""
    width = (paper.epw - (IN_A_ROW - 1) * GAP_MM) / IN_A_ROW
    for start in range(0, len(photos), IN_A_ROW):
        if paper.will_page_break(HEIGHT_MM + CAPTION_MM):
            paper.add_page()
        top = paper.get_y()
        for column, photo in enumerate(photos[start : start + IN_A_ROW]):
            left = paper.l_margin + column * (width + GAP_MM)
            _draw(paper, photo, left, top, width)
        paper.set_xy(paper.l_margin, top + HEIGHT_MM + CAPTION_MM)
    paper.type()


def _draw(paper: Paper, photo: PhotoLine, left: float, top: float, width: float) -> None:
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.2)
    paper.rect(left, top, width, HEIGHT_MM)
    small = _small(photo.jpeg) if photo.jpeg else None
    if small is not None:
        paper.image(
            small, left, top, width, HEIGHT_MM, keep_aspect_ratio=True, alt_text=paper.said(photo.caption)
        )
    paper.set_xy(left, top + HEIGHT_MM + 0.8)
    paper.type(7.5, colour=SOFT)
    told = (
        photo.caption
        if small is not None
        else gettext("%(caption)s. The picture's file can't be read.") % {"caption": photo.caption}
    )
    paper.multi_cell(width, 3.4, paper.said(told), align="L")


def _small(jpeg: bytes) -> BytesIO | None:
    out = BytesIO()
    try:
        with Image.open(BytesIO(jpeg), formats=["JPEG"]) as image:
            image.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
            image.convert("RGB").save(out, "JPEG", quality=75)
    except (OSError, SyntaxError, ValueError):
        return None
    out.seek(0)
    return out


MOST_POINTS: Final = 20_000
"""More than this is no signature; it is not drawn."""


def read_strokes(text: str) -> tuple[list[Stroke], bool]:
    """Return pen strokes and whether the text could be read. Points are [x, y] or {"x": x, "y": y}."""
    if not text.strip():
        return [], True
    try:
        stored = json.loads(text)
        strokes = [[_point(point) for point in stroke] for stroke in stored]
    except (ValueError, TypeError, KeyError, AttributeError, IndexError):
        return [], False
    if sum(len(stroke) for stroke in strokes) > MOST_POINTS:
        return [], False
    return [stroke for stroke in strokes if stroke], True


def draw_strokes(paper: Paper, strokes: list[Stroke], *, width: float, height: float) -> None:
    """Draw strokes into a field at the paper's place, as large as fits, in proportion. [mm]"""
    points = [point for stroke in strokes for point in stroke]
    if not points:
        return
    left, top = min(x for x, _ in points), min(y for _, y in points)
    wide = max(x for x, _ in points) - left
    high = max(y for _, y in points) - top
    scale = min(width / wide if wide else 1e9, height / high if high else 1e9, 1e6)
    at_x, at_y = paper.get_x(), paper.get_y()
    paper.set_draw_color(*INK)
    paper.set_line_width(0.45)
    for stroke in strokes:
        placed = [(at_x + (x - left) * scale, at_y + (y - top) * scale) for x, y in stroke]
        if len(placed) == 1:
            placed = [placed[0], (placed[0][0] + 0.2, placed[0][1])]
        paper.polyline(placed)


def _point(point: object) -> tuple[float, float]:
    if isinstance(point, dict):
        x, y = float(point["x"]), float(point["y"])
    else:
        x, y = float(point[0]), float(point[1])  # type: ignore[index]
    if not (isfinite(x) and isfinite(y)):
        raise ValueError("A point is somewhere.")
    return x, y


def service_report_pdf(
    report: ServiceReport, *, is_metric: bool, made_at: datetime, fonts: Path | None
) -> bytes:
    """Return the report as a PDF; A4 for metric people, Letter for others."""
    paper = Paper(
        title=gettext("Service report %(number)s") % {"number": report.number},
        company=report.company,
        is_metric=is_metric,
        made_at=made_at,
        fonts=fonts,
    )
    paper.add_page()
    _head(paper, report)
    paper.cautions(report.cautions)
    _parts(paper, report)
    _flushes(paper, report)
    _readings(paper, report)
    _next_due(paper, report)
    _steps(paper, report)
    _photos(paper, report)
    _end(paper, report)
    return bytes(paper.output())


def _head(paper: Paper, report: ServiceReport) -> None:
    paper.type(15, bold=True)
    paper.flow(f"{report.kind_word}: {report.outcome_word.lower()}", 7)
    paper.ln(1)
    if report.undone:
        paper.text_block(
            gettext("This close-out was voided: %(undone)s") % {"undone": report.undone},
            bold=True,
            colour=BAD,
        )
    unit = ", ".join(text for text in (report.serial, report.unit_label) if text)
    paper.facts(
        [
            (gettext("Customer"), report.customer),
            (gettext("Site"), ", ".join(text for text in (report.site, report.address) if text)),
            (gettext("Treatment unit"), unit),
            (gettext("Finished"), moment(report.finished_at)),
            (gettext("On site"), gettext("%(minutes)s min") % {"minutes": report.minutes}),
            (gettext("Technician"), report.technician),
            (gettext("Order"), report.number),
            (gettext("Why"), translate(report.why)),
            (
                gettext("Readiness now"),
                ". ".join(text for text in (report.readiness_word, report.owed_word) if text),
            ),
            (gettext("To follow"), report.follow_up),
        ]
    )
    paper.ln(2)


def _parts(paper: Paper, report: ServiceReport) -> None:
    paper.heading(gettext("Parts"))
    if not report.parts_out and not report.parts_in:
        paper.text_block(gettext("No part was changed."), colour=SOFT)
        return
    if report.parts_out:
        rows = [[one.position, one.name, _marks(one), one.reason] for one in report.parts_out]
        paper.grid(
            [gettext("Taken out of"), gettext("Part"), gettext("Serial, lot"), gettext("Why")],
            rows,
            [20, 40, 28, 22],
        )
    if report.parts_in:
        rows = [[one.position, one.name, _marks(one)] for one in report.parts_in]
        paper.grid([gettext("Put into"), gettext("Part"), gettext("Serial, lot")], rows, [20, 52, 38])


def _marks(part: PartLine) -> str:
    told = [
        part.serial and gettext("serial %(serial)s") % {"serial": part.serial},
        part.lot and gettext("lot %(lot)s") % {"lot": part.lot},
    ]
    return ", ".join(text for text in told if text) or gettext("not noted")


def _flushes(paper: Paper, report: ServiceReport) -> None:
    paper.heading(gettext("Flush to drain"))
    if not report.flushes:
        paper.text_block(gettext("No flush was recorded."), colour=SOFT)
        return
    rows = [
        [one.kind_word, one.volume, one.minutes, "yes" if one.ran_clear else "no"] for one in report.flushes
    ]
    paper.grid(
        [gettext("What for"), gettext("Drained"), gettext("Took"), gettext("Ran clear")],
        rows,
        [56, 20, 18, 16],
    )


def _readings(paper: Paper, report: ServiceReport) -> None:
    paper.heading(gettext("Readings"))
    if not report.readings:
        paper.text_block(gettext("Nothing was read."), colour=SOFT)
        return
    before = (
        gettext("Before (%(readings_before_at)s)") % {"readings_before_at": day(report.readings_before_at)}
        if report.readings_before_at
        else gettext("Before")
    )
    rows = [[one.label, one.before or "–", one.after or "–"] for one in report.readings]
    paper.grid([gettext("Gauge"), before, gettext("After the work")], rows, [46, 32, 32], right_from=1)


def _next_due(paper: Paper, report: ServiceReport) -> None:
    paper.heading(gettext("Due next"))
    if not report.next_due:
        paper.text_block(gettext("Nothing was worked out yet."), colour=SOFT)
        return
    rows = [[one.position, one.name, day(one.early_on), day(one.likely_on), day(one.late_on)]
            for one in report.next_due]  # fmt: skip
    dates = [gettext("1 in 10 by"), gettext("Limit"), gettext("9 in 10 by")]
    paper.grid([gettext("Position"), gettext("Part"), *dates], rows, [20, 42, 18, 18, 18])
    if report.assessed_at:
        paper.text_block(
            gettext(
                "As worked out on %(assessed_at)s. By the limit half of the parts like this are used up, "
                "by the dates beside it 1 in 10 and 9 in 10. Readings move these dates."
            )
            % {"assessed_at": moment(report.assessed_at)},
            colour=SOFT,
        )


def _steps(paper: Paper, report: ServiceReport) -> None:
    if not report.steps:
        return
    version = (
        gettext(", version %(sheet_version)s of the sheet") % {"sheet_version": report.sheet_version}
        if report.sheet_version
        else ""
    )
    skipped = [one for one in report.steps if one.is_hazard_control and not one.is_done]
    paper.heading(gettext("Steps%(version)s") % {"version": version})
    for one in skipped:
        paper.text_block(
            gettext("Hazard control not done: %(text)s Reason: %(reason)s")
            % {"text": translate(one.text), "reason": _reason(one)},
            bold=True,
            colour=BAD,
        )
    for one in report.steps:
        step_line(paper, one)


def step_line(paper: Paper, step: StepLine) -> None:
    """Print a step behind its box: ticked, open with the reason, or empty to be ticked by hand."""
    if paper.will_page_break(9):
        paper.add_page()
    top = paper.get_y()
    paper.box(paper.l_margin + 0.5, top + 0.7, 3.2, ticked=bool(step.is_done))
    paper.set_xy(paper.l_margin + 6, top)
    mark = gettext("Hazard control. ") if step.is_hazard_control else ""
    reason = gettext(" Not done: %(reason)s") % {"reason": _reason(step)} if step.is_done is False else ""
    paper.type(9, bold=step.is_hazard_control)
    paper.flow(f"{mark}{translate(step.text)}{reason}", 4.4)
    paper.ln(0.6)
    paper.type()


def _photos(paper: Paper, report: ServiceReport) -> None:
    if report.photos:
        paper.heading(gettext("Photos"), room_mm=62)
        draw_photos(paper, report.photos)


def _reason(step: StepLine) -> str:
    return step.because or gettext("no reason given.")


def _end(paper: Paper, report: ServiceReport) -> None:
    if report.note:
        paper.heading(gettext("Note"))
        paper.text_block(report.note)
    paper.heading(gettext("Signed for on site"), room_mm=42)
    if report.signature:
        top = paper.get_y()
        draw_strokes(paper, report.signature, width=70, height=20)
        paper.set_xy(paper.l_margin, top + 21)
    elif not report.signature_is_readable:
        paper.text_block(gettext("A signature was sent but can't be drawn."), colour=SOFT)
    elif not report.signed_by:
        paper.text_block(gettext("Nobody signed."), colour=SOFT)
    if report.signed_by:
        paper.text_block(report.signed_by)


ENDINGS = (
    gettext_lazy("Done"),
    gettext_lazy("Bedding overnight"),
    gettext_lazy("Could not be done (say why in the note)"),
)


def work_sheet_pdf(sheet: WorkSheet, *, is_metric: bool, made_at: datetime, fonts: Path | None) -> bytes:
    """Return the day as a PDF; A4 for metric people, Letter for others."""
    paper = Paper(
        title=gettext("Work sheet, %(technician)s, %(day)s")
        % {"technician": sheet.technician, "day": day(sheet.day)},
        company=sheet.company,
        is_metric=is_metric,
        made_at=made_at,
        fonts=fonts,
    )
    paper.add_page()
    paper.type(15, bold=True)
    paper.flow(f"{sheet.technician}, {written(sheet.day, '%A')} {day(sheet.day)}", 7)
    if not sheet.is_in_force:
        paper.text_block(
            gettext("This route is not published. Ask the planner before you drive."), bold=True, colour=BAD
        )
    paper.text_block(
        gettext(
            "Leave %(leaves_at)s, back about %(returns_at)s. %(stops)s stops. Hand this sheet in "
            "at the end of the day; what is written here is entered as the close-out."
        )
        % {
            "leaves_at": f"{sheet.leaves_at:%H:%M}",
            "returns_at": f"{sheet.returns_at:%H:%M}",
            "stops": len(sheet.stops),
        },
        colour=SOFT,
    )
    paper.ln(2)
    paper.cautions(sheet.cautions)
    _load(paper, sheet)
    seen: dict[str, str] = {}
    for stop in sheet.stops:
        _stop(paper, stop, sheet.gauges, seen)
    return bytes(paper.output())


def _load(paper: Paper, sheet: WorkSheet) -> None:
    paper.heading(gettext("Load before leaving"))
    if not sheet.load:
        paper.text_block(gettext("No parts are needed."), colour=SOFT)
        return
    rows = [
        [f"{one.name} ({one.code})", str(one.needed), str(one.on_van), str(one.missing or "–")]
        for one in sheet.load
    ]
    paper.grid(
        [gettext("Part"), gettext("Needed"), gettext("On the van"), gettext("From the shelf")],
        rows,
        [62, 14, 16, 20],
        right_from=1,
    )


def _stop(paper: Paper, stop: SheetStop, gauges: Sequence[str], seen: dict[str, str]) -> None:
    paper.heading(gettext("Stop %(place)s: %(site)s") % {"place": stop.place, "site": stop.site}, room_mm=60)
    paper.facts(
        [
            (gettext("Arrive about"), f"{stop.arrives_at:%H:%M}"),
            (gettext("Promised"), "–".join(f"{at:%H:%M}" for at in stop.promised or ())),
            (gettext("Address"), stop.address),
            (gettext("Contact"), stop.contact),
            (gettext("Access"), stop.access_note),
        ]
    )
    for order in stop.orders:
        _order(paper, order, gauges, seen)


def _order(paper: Paper, order: SheetOrder, gauges: Sequence[str], seen: dict[str, str]) -> None:
    if paper.will_page_break(45):
        paper.add_page()
    paper.ln(2)
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.3)
    paper.line(paper.l_margin, paper.get_y(), paper.w - paper.r_margin, paper.get_y())
    paper.ln(1.5)
    unit = ", ".join(text for text in (order.serial, order.unit_label) if text)
    paper.text_block(f"{order.number}  {order.kind_word}  {unit}", bold=True)
    if order.is_over:
        paper.text_block(gettext("This order is over; there is nothing left to do."), colour=SOFT)
        return
    paper.facts(
        [
            (gettext("Why"), translate(order.why)),
            (
                gettext("Mains"),
                gettext("%(mains_voltage)s V. Water and mains stand side by side: lock out before opening.")
                % {"mains_voltage": order.mains_voltage},
            ),
            (gettext("Readiness"), order.readiness_word),
            (gettext("Bring"), "; ".join(order.parts)),
            (gettext("To drain"), order.to_drain),
            (gettext("Planned"), gettext("%(minutes)s min on site") % {"minutes": order.minutes}),
        ]
    )
    paper.ln(1.5)
    _steps_to_tick(paper, order, seen)
    _to_write(paper, order, gauges)


def _steps_to_tick(paper: Paper, order: SheetOrder, seen: dict[str, str]) -> None:
    """Print every step once a day for each kind of work; hazard controls with every order."""
    first = seen.setdefault(order.kind_word, order.number)
    if first == order.number:
        for step in order.steps:
            step_line(paper, step)
        return
    for step in order.steps:
        if step.is_hazard_control:
            step_line(paper, step)
    paper.text_block(gettext("All other steps as with %(first)s.") % {"first": first}, colour=SOFT)


def _to_write(paper: Paper, order: SheetOrder, gauges: Sequence[str]) -> None:
    paper.ln(1)
    if order.positions:
        _blank_lines(
            paper, gettext("Parts changed: position, why it came out, kind, serial and lot of the new one"), 2
        )
    _blanks(
        paper,
        [
            gettext("Meter total"),
            gettext("Drained"),
            gettext("Minutes of flushing"),
            gettext("Ran clear (yes or no)"),
            *gauges,
        ],
    )
    if paper.will_page_break(40):
        paper.add_page()
    for word in ENDINGS:
        top = paper.get_y()
        paper.box(paper.l_margin + 0.5, top + 0.7, 3.2)
        paper.set_xy(paper.l_margin + 6, top)
        paper.type(9)
        paper.cell(0, 4.6, word, new_x="LMARGIN", new_y="NEXT")
    paper.ln(1)
    _blank_lines(paper, gettext("Note"), 2)
    _blanks(paper, [gettext("Finished at"), gettext("Minutes on site"), gettext("Signed on site by")])


def _blank_lines(paper: Paper, word: str, count: int) -> None:
    if paper.will_page_break(6 + 7 * count):
        paper.add_page()
    paper.type(8.5, colour=SOFT)
    paper.cell(0, 4, paper.said(word), new_x="LMARGIN", new_y="NEXT")
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.25)
    for _ in range(count):
        paper.ln(7)
        paper.line(paper.l_margin, paper.get_y(), paper.w - paper.r_margin, paper.get_y())
    paper.ln(1.5)
    paper.type()


def _blanks(paper: Paper, words: Sequence[str]) -> None:
    """Draw fields to write in, three beside each other."""
    width = paper.epw / 3
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.25)
    for start in range(0, len(words), 3):
        if paper.will_page_break(11):
            paper.add_page()
        top = paper.get_y()
        for number, word in enumerate(words[start : start + 3]):
            left = paper.l_margin + number * width
            paper.set_draw_color(*LINE)
            paper.set_line_width(0.25)
            paper.rect(left, top, width - 2, 9.5)
            paper.set_xy(left + 0.8, top + 0.5)
            paper.type(7, colour=SOFT)
            paper.cell(width - 4, 3, paper.said(word))
        paper.set_xy(paper.l_margin, top + 11)
    paper.type()
