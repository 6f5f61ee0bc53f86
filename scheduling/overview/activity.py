"""Who changed what: one list over the histories that tables keep, and the audit entries beside them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import F, IntegerField, Model, Q, QuerySet, Value
from django.db.models.functions import Cast

from fleet.models import AuditArea, AuditEntry, Correction, TelemetryMap, Webhook
from scheduling.models import (
    ClosedMonth,
    FieldReport,
    InvoiceBatch,
    PlanPriceList,
    PlanRevision,
    PlanTerms,
    RevenueEntry,
    RouteProposal,
    StepSheet,
    StockMovement,
    TaxRate,
    WorkOrderEvent,
)
from shared.messages import message
from shared.translation import MessageField

FIELDS: Final = ("told_at", "told_by", "told_area", "told_what", "told_about", "told_detail")
MOST_COUNTED: Final = 10_000
"""A page's list goes no further back: days, person and words narrow it, and the file has all."""
WORK_AREAS: Final = (AuditArea.FLEET, AuditArea.WORK, AuditArea.PLANS, AuditArea.STOCK)
"""What a planner may look through; the owner sees all."""


@dataclass(frozen=True)
class History:
    """Where a table keeps when, who, about what and in which words. Empty: it keeps no such thing."""

    model: type[Model]
    area: AuditArea
    what: str
    at: str
    by: str = ""
    what_field: str = ""
    about: str = ""
    detail: str = ""
    branch: str = ""


_A = AuditArea
HISTORIES: Final = (
    History(WorkOrderEvent, _A.WORK, "", "at", "by", "what", "order__treatment_unit__serial", "detail",
            "order__site__branch"),
    History(FieldReport, _A.WORK, message("reported from the field"), "received_at", "technician__person", "",
            "site__code", "text", "site__branch"),
    History(FieldReport, _A.WORK, message("answered to the field"), "answered_at", "answered_by", "",
            "site__code", "answer", "site__branch"),
    History(StepSheet, _A.WORK, message("step sheet, new version"), "made_at", "made_by", "", "kind"),
    History(RouteProposal, _A.PLANS, message("routes planned"), "made_at", "made_by", "", "first_on", "",
            "branch"),
    History(RouteProposal, _A.PLANS, message("routes published"), "published_at", "", "", "first_on", "",
            "branch"),
    History(PlanRevision, _A.PLANS, message("plan changed by hand"), "at", "by", "",
            "proposal__first_on", "what", "proposal__branch"),
    History(PlanRevision, _A.PLANS, message("change by hand undone"), "undone_at", "undone_by", "",
            "proposal__first_on", "what", "proposal__branch"),
    History(PlanPriceList, _A.PLANS, message("planner's prices"), "made_at", "made_by", "", "from_on"),
    History(StockMovement, _A.STOCK, message("stock moved"), "at", "by", "", "place__code", "note",
            "place__branch"),
    History(RevenueEntry, _A.MONEY, "", "entered_at", "entered_by", "kind", "site__code", "text"),
    History(Correction, _A.FLEET, message("corrected"), "at", "by", "", "about", "reason",
            "treatment_unit__site__branch"),
    History(ClosedMonth, _A.MONEY, message("month closed"), "closed_at", "closed_by", "", "month"),
    History(PlanTerms, _A.MONEY, message("plan terms set"), "made_at", "made_by", "", "plan__code"),
    History(PlanTerms, _A.MONEY, message("plan terms voided"), "taken_back_at", "taken_back_by", "",
            "plan__code"),
    History(TaxRate, _A.MONEY, message("tax rate set"), "made_at", "made_by", "", "code"),
    History(TaxRate, _A.MONEY, message("tax rate voided"), "taken_back_at", "taken_back_by", "", "code"),
    History(InvoiceBatch, _A.MONEY, message("entries exported to accounting"), "made_at", "made_by", "",
            "through"),
    History(Webhook, _A.OUTSIDE, message("webhook entered"), "made_at", "made_by", "", "name", "", "branch"),
    History(TelemetryMap, _A.OUTSIDE, message("telemetry mapping kept"), "made_at", "made_by", "", "name"),
)  # fmt: skip
"""Token rows are the API's own; their making and revoking is written as entries."""


@dataclass(frozen=True)
class Asked:
    """Which changes: from a moment until before another, of whom, of which area, with which words."""

    first: datetime
    until: datetime
    areas: tuple[AuditArea, ...]
    person: str = ""
    words: str = ""
    branch_id: int | None = None


@dataclass(frozen=True)
class ChangesPage:
    """One page of the list."""

    rows: list[dict]
    total: int
    """At most ``MOST_COUNTED``."""
    is_more: bool
    """Whether there are more than that."""
    page: int
    pages: int


def changes(asked: Asked) -> QuerySet:
    """Return rows as dicts, newest first. People of one branch see what names their branch."""
    found = [rows.values(*FIELDS, "told_place", "told_key") for rows in _sources(asked)]
    return _in_order(found)


def changes_page(asked: Asked, *, page: int, size: int) -> ChangesPage:
    """Return one page of them, in two queries; each table gives only the newest that could be on it."""
    sources = _sources(asked)
    keys = [rows.values("pk") for rows in sources]
    count = keys[0].union(*keys[1:], all=True)[: MOST_COUNTED + 1].count()
    total = min(count, MOST_COUNTED)
    pages = max(1, -(-total // size))
    page = min(max(page, 1), pages)
    newest = []
    for rows in sources:
        wanted = rows.order_by("-told_at", "-pk").values("pk")[: page * size]
        newest.append(rows.filter(pk__in=wanted).values(*FIELDS, "told_place", "told_key"))
    shown = [
        {**row, "told_what": message(row["told_what"])}
        for row in _in_order(newest)[(page - 1) * size : page * size]
    ]
    return ChangesPage(shown, total, count > MOST_COUNTED, page, pages)


def _in_order(found: list[QuerySet]) -> QuerySet:
    return found[0].union(*found[1:], all=True).order_by("-told_at", "told_place", "-told_key")


def _sources(asked: Asked) -> list[QuerySet]:
    found = [_rows(place, one, asked) for place, one in enumerate(HISTORIES) if one.area in asked.areas]
    if asked.branch_id is None:
        entries = AuditEntry.objects.filter(area__in=asked.areas)
        told = _told(entries, len(HISTORIES), "at", "by", F("area"), F("what"), "about", "detail")
        found.append(_narrowed(told, asked, "at"))
    return [one for one in found if one is not None]


def _rows(place: int, one: History, asked: Asked) -> QuerySet | None:
    rows = one.model._default_manager.filter(**{f"{one.at}__isnull": False})
    if asked.branch_id is not None:
        if not one.branch:
            return None
        rows = rows.filter(**{one.branch: asked.branch_id})
    what = F(one.what_field) if one.what_field else Value(one.what)
    told = _told(rows, place, one.at, one.by, Value(str(one.area)), what, one.about, one.detail)
    return _narrowed(told, asked, one.at)


def _told(
    rows: QuerySet, place: int, at: str, by: str, area: F | Value, what: F | Value, about: str, detail: str
) -> QuerySet:
    def text(value: F | Value) -> Cast:
        return Cast(value, MessageField())

    def column(field: str) -> Cast:
        return text(F(field) if field else Value(""))

    return rows.order_by().annotate(
        told_at=F(at),
        told_by=column(f"{by}__username" if by else ""),
        told_area=text(area),
        told_what=text(what),
        told_about=column(about),
        told_detail=column(detail),
        told_place=Value(place, output_field=IntegerField()),
        told_key=F("pk"),
    )


def _narrowed(rows: QuerySet, asked: Asked, at: str) -> QuerySet:
    rows = rows.filter(**{f"{at}__gte": asked.first, f"{at}__lt": asked.until})
    if asked.person:
        rows = rows.filter(told_by=asked.person)
    if asked.words:
        has_words = Q(told_what__icontains=asked.words) | Q(told_about__icontains=asked.words)
        rows = rows.filter(has_words | Q(told_detail__icontains=asked.words))
    return rows
