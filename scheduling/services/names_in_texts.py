"""Puts a mark where texts hold a person's name, in every column that people's names get into."""

import json
import re
from collections.abc import Mapping
from typing import Any, Final

from django.db.models import JSONField, Model, Q

from fleet.models import ReadinessChange, TreatmentUnit, WebhookEvent
from scheduling.models import (
    Absence,
    CloseOut,
    InvoiceLine,
    LongJob,
    Notice,
    PlanPeriod,
    PlanRevision,
    Replan,
    RevenueEntry,
    RouteProposal,
    SavedView,
    StockMovement,
    StockPlace,
    Stop,
    StopOrder,
    ToldVisit,
    TravelCorrection,
    UnplacedOrder,
    WorkOrder,
    WorkOrderEvent,
)

TEXTS: Final[tuple[tuple[type[Model], tuple[str, ...]], ...]] = (
    (WorkOrder, ("why", "withdrawn_because", "numbers")),
    (WorkOrderEvent, ("detail",)),
    (CloseOut, ("note", "signed_by", "undone_because", "steps")),
    (RouteProposal, ("problems", "progress_text", "totals")),
    (PlanRevision, ("what", "effect", "before")),
    (Replan, ("lost", "effect")),
    (Stop, ("why",)),
    (StopOrder, ("why",)),
    (UnplacedOrder, ("text",)),
    (ToldVisit, ("technician",)),
    (Notice, ("subject", "body", "calendar")),
    (StockMovement, ("note",)),
    (StockPlace, ("name",)),
    (RevenueEntry, ("text",)),
    (InvoiceLine, ("text", "customer_name", "site_name")),
    (PlanPeriod, ("why",)),
    (LongJob, ("given", "answer", "problem")),
    (TravelCorrection, ("because",)),
    (Absence, ("reason",)),
    (SavedView, ("name", "query")),
    (TreatmentUnit, ("label", "note", "out_of_service_reason")),
    (ReadinessChange, ("because",)),
    (WebhookEvent, ("body",)),
)
"""A test walks every text column and asks that it stand here, or be named as one that holds no names."""
_BATCH: Final = 500


def put_marks(marks: Mapping[str, str]) -> int:
    """Replace each word by its mark, whole words only, whatever the case. Returns how many rows changed.

    Parameters
    ----------
    marks : mapping of word to mark
        Longer words first, so that a name within a longer one does not break it.
    """
    if not marks:
        return 0
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in marks), re.IGNORECASE)
    by_small = {word.casefold(): mark for word, mark in marks.items()}

    def marked(text: str) -> str:
        return pattern.sub(lambda hit: by_small.get(hit[0].casefold(), "erased"), text)

    return sum(_mark_table(model, fields, marks, marked) for model, fields in TEXTS)


def _mark_table(model: type[Model], fields: tuple[str, ...], marks: Mapping[str, str], marked: Any) -> int:
    clause = Q()
    for field in fields:
        is_json = isinstance(model._meta.get_field(field), JSONField)
        for word in marks:
            clause |= Q(**{f"{field}__icontains": word})
            if is_json:
                # SQLite keeps JSON with other letters escaped.
                clause |= Q(**{f"{field}__icontains": json.dumps(word)[1:-1]})
    changed = []
    for row in model._base_manager.filter(clause).only("pk", *fields):
        before = [getattr(row, field) for field in fields]
        after = [
            _fitting(model, field, _marked_all(value, marked))
            for field, value in zip(fields, before, strict=True)
        ]
        if before != after:
            for field, value in zip(fields, after, strict=True):
                setattr(row, field, value)
            changed.append(row)
    model._base_manager.bulk_update(changed, fields, batch_size=_BATCH)
    return len(changed)


def _marked_all(value: Any, marked: Any) -> Any:
    if isinstance(value, str):
        return marked(value)
    if isinstance(value, list):
        return [_marked_all(one, marked) for one in value]
    if isinstance(value, dict):
        return {key: _marked_all(one, marked) for key, one in value.items()}
    return value


def _fitting(model: type[Model], field: str, value: Any) -> Any:
    longest = model._meta.get_field(field).max_length
    return value[:longest] if longest and isinstance(value, str) else value
