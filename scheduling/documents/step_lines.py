"""A step in a document, behind its box. No Django."""

from django.utils.translation import gettext

from scheduling.documents.paper import Paper, StepLine
from shared.translation import translate


def step_line(paper: Paper, step: StepLine) -> None:
    """Print a step behind its box: ticked, open with the reason, or empty to be ticked by hand."""
    if paper.will_page_break(9):
        paper.add_page()
    top = paper.get_y()
    paper.box(paper.l_margin + 0.5, top + 0.7, 3.2, ticked=bool(step.is_done))
    paper.set_xy(paper.l_margin + 6, top)
    mark = gettext("Hazard control. ") if step.is_hazard_control else ""
    reason = gettext(" Not done: %(reason)s") % {"reason": reason_of(step)} if step.is_done is False else ""
    paper.type(9, bold=step.is_hazard_control)
    paper.flow(f"{mark}{translate(step.text)}{reason}", 4.4)
    paper.ln(0.6)
    paper.type()


def reason_of(step: StepLine) -> str:
    """Return why a step was not done."""
    return step.because or gettext("no reason given.")
