"""The work sheet: a technician's day on paper, cautions first, with room to write. No Django."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from django.utils.translation import gettext, gettext_lazy

from scheduling.documents.paper import BAD, LINE, SOFT, Paper, SheetOrder, SheetStop, WorkSheet, day
from scheduling.documents.step_lines import step_line
from shared.translation import translate, written

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
    if sheet.kit:
        kit = gettext("Besides the parts: %(kit)s.") % {"kit": "; ".join(map(str, sheet.kit))}
        paper.text_block(kit)
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
