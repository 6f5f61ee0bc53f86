"""The letter that answers a customer about one treatment unit. No Django views, no queries."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from django.utils.translation import gettext

from scheduling.documents.paper import SOFT, Paper, day


@dataclass(frozen=True)
class ToldVisit:
    """One visit in plain sentences, with what was read."""

    heading: str
    sentences: list[str]
    readings: list[tuple[str, str, str]]
    """What, before the visit, at the visit."""


@dataclass(frozen=True)
class Answer:
    """What a customer is told about one treatment unit."""

    company: str
    customer: str
    address: list[str]
    title: str
    made_at: datetime
    last_changes: list[str]
    """One sentence for each part: when and why it was last changed, and when it is due."""
    visits: list[ToldVisit] = field(default_factory=list)


def answer_pdf(told: Answer, *, is_metric: bool, made_at: datetime, fonts: Path | None) -> bytes:
    """Return the letter as a PDF; A4 for metric people, Letter for others."""
    paper = Paper(title=told.title, company=told.company, is_metric=is_metric, made_at=made_at, fonts=fonts)
    paper.add_page()
    for line in (told.customer, *told.address):
        paper.text_block(line)
    paper.ln(3)
    paper.text_block(day(told.made_at.date()), colour=SOFT)
    paper.heading(told.title)
    for sentence in told.last_changes:
        paper.text_block(sentence)
    for visit in told.visits:
        paper.heading(visit.heading)
        for sentence in visit.sentences:
            paper.text_block(sentence)
        if visit.readings:
            paper.ln(1)
            heads = [gettext("Reading"), gettext("Before the visit"), gettext("At the visit")]
            paper.grid(heads, visit.readings, (50, 25, 25), right_from=1)
    paper.ln(3)
    paper.text_block(told.company)
    return bytes(paper.output())
