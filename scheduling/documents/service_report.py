"""The service report: what was read, changed, flushed and left, and when each part is due next. No Django."""

from datetime import datetime
from pathlib import Path

from django.utils.translation import gettext

from scheduling.documents.paper import BAD, SOFT, Paper, PartLine, ServiceReport, day, moment
from scheduling.documents.pictures import draw_photos, draw_strokes
from scheduling.documents.step_lines import reason_of, step_line
from shared.translation import translate


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
            % {"text": translate(one.text), "reason": reason_of(one)},
            bold=True,
            colour=BAD,
        )
    for one in report.steps:
        step_line(paper, one)


def _photos(paper: Paper, report: ServiceReport) -> None:
    if report.photos:
        paper.heading(gettext("Photos"), room_mm=62)
        draw_photos(paper, report.photos)


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
