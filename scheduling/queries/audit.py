"""Who changed what: one list over the histories that tables keep, and the audit entries beside them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import F, Model, Q, QuerySet, TextField, Value
from django.db.models.functions import Cast

from fleet.models import AuditArea, AuditEntry, TelemetryMap, Webhook
from scheduling.models import (
    ClosedMonth,
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

FIELDS: Final = ("told_at", "told_by", "told_area", "told_what", "told_about", "told_detail")
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
    History(StepSheet, _A.WORK, "step sheet, new version", "made_at", "made_by", "", "kind"),
    History(RouteProposal, _A.PLANS, "routes planned", "made_at", "made_by", "", "first_on", "", "branch"),
    History(RouteProposal, _A.PLANS, "routes published", "published_at", "", "", "first_on", "", "branch"),
    History(PlanRevision, _A.PLANS, "plan changed by hand", "at", "by", "", "proposal__first_on", "what",
            "proposal__branch"),
    History(PlanRevision, _A.PLANS, "change by hand undone", "undone_at", "undone_by", "",
            "proposal__first_on", "what", "proposal__branch"),
    History(PlanPriceList, _A.PLANS, "planner's prices", "made_at", "made_by", "", "from_on"),
    History(StockMovement, _A.STOCK, "stock moved", "at", "by", "", "place__code", "note", "place__branch"),
    History(RevenueEntry, _A.MONEY, "", "entered_at", "entered_by", "kind", "site__code", "text"),
    History(ClosedMonth, _A.MONEY, "month closed", "closed_at", "closed_by", "", "month"),
    History(PlanTerms, _A.MONEY, "plan terms set", "made_at", "made_by", "", "plan__code"),
    History(PlanTerms, _A.MONEY, "plan terms taken back", "taken_back_at", "taken_back_by", "", "plan__code"),
    History(TaxRate, _A.MONEY, "tax rate set", "made_at", "made_by", "", "code"),
    History(TaxRate, _A.MONEY, "tax rate taken back", "taken_back_at", "taken_back_by", "", "code"),
    History(InvoiceBatch, _A.MONEY, "entries handed to the books", "made_at", "made_by", "", "through"),
    History(Webhook, _A.OUTSIDE, "webhook entered", "made_at", "made_by", "", "name", "", "branch"),
    History(TelemetryMap, _A.OUTSIDE, "telemetry mapping kept", "made_at", "made_by", "", "name"),
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


def changes(asked: Asked) -> QuerySet:
    """Return rows as dicts of ``FIELDS``, newest first. People of one branch see what names their branch."""
    found = [_rows(one, asked) for one in HISTORIES if one.area in asked.areas]
    if asked.branch_id is None:
        entries = AuditEntry.objects.filter(area__in=asked.areas)
        found.append(_narrowed(_told(entries, "at", "by", F("area"), F("what"), "about", "detail"), asked))
    found = [one for one in found if one is not None]
    return found[0].union(*found[1:], all=True).order_by("-told_at", "told_what", "told_about")


def _rows(one: History, asked: Asked) -> QuerySet | None:
    rows = one.model._default_manager.filter(**{f"{one.at}__isnull": False})
    if asked.branch_id is not None:
        if not one.branch:
            return None
        rows = rows.filter(**{one.branch: asked.branch_id})
    what = F(one.what_field) if one.what_field else Value(one.what)
    return _narrowed(_told(rows, one.at, one.by, Value(str(one.area)), what, one.about, one.detail), asked)


def _told(rows: QuerySet, at: str, by: str, area: F | Value, what: F | Value, about: str, detail: str):
    def text(value: F | Value) -> Cast:
        return Cast(value, TextField())

    def column(field: str) -> Cast:
        return text(F(field) if field else Value(""))

    return rows.order_by().values(
        told_at=F(at),
        told_by=column(f"{by}__username" if by else ""),
        told_area=text(area),
        told_what=text(what),
        told_about=column(about),
        told_detail=column(detail),
    )


def _narrowed(rows: QuerySet, asked: Asked) -> QuerySet:
    rows = rows.filter(told_at__gte=asked.first, told_at__lt=asked.until)
    if asked.person:
        rows = rows.filter(told_by=asked.person)
    if asked.words:
        has_words = Q(told_what__icontains=asked.words) | Q(told_about__icontains=asked.words)
        rows = rows.filter(has_words | Q(told_detail__icontains=asked.words))
    return rows
