"""How it stands with what comes in and goes out by itself: for the pages and for watching."""

from datetime import datetime

from django.db.models import Min, Q, QuerySet

from fleet.models import DeadLetter, DeadLetterState, DeliveryState, LastHeard, Webhook, WebhookDelivery


def oldest_undelivered_at(now: datetime) -> datetime | None:
    """Return since when the oldest event that can be delivered waits; None when nothing does."""
    waiting = WebhookDelivery.objects.filter(state=DeliveryState.WAITING, webhook__is_on=True)
    return waiting.aggregate(oldest=Min("event__happened_at"))["oldest"]


def outbox_age_s(now: datetime) -> float:
    """Return how long the oldest undelivered event has been waiting. [s]"""
    oldest = oldest_undelivered_at(now)
    return (now - oldest).total_seconds() if oldest else 0.0


def given_up_webhooks() -> int:
    """Return how many addresses were switched off because they kept failing."""
    return Webhook.objects.filter(is_on=False, failures_in_row__gt=0).count()


def undelivered() -> int:
    """Return how many deliveries wait."""
    return WebhookDelivery.objects.filter(state=DeliveryState.WAITING).count()


def dead_letters(branch_id: int | None) -> QuerySet[DeadLetter]:
    """Return refused messages a person may see: those of the own branch, or all."""
    rows = DeadLetter.objects.select_related("branch", "settled_by")
    return rows.filter(branch_id=branch_id) if branch_id else rows


def waiting_dead_letters(branch_id: int | None = None) -> int:
    """Return how many refused messages wait for a person."""
    return dead_letters(branch_id).filter(state=DeadLetterState.WAITING).count()


def last_heard(branch_id: int | None, *, only_silent: bool = False, words: str = "") -> QuerySet[LastHeard]:
    """Return who was heard when, those silent longest first."""
    rows = LastHeard.objects.select_related("treatment_unit__site")
    if branch_id:
        rows = rows.filter(treatment_unit__site__branch_id=branch_id)
    if only_silent:
        rows = rows.filter(silent_since__isnull=False)
    if words:
        rows = rows.filter(
            Q(treatment_unit__serial__icontains=words) | Q(treatment_unit__site__name__icontains=words)
        )
    return rows


def silent_count(branch_id: int | None = None) -> int:
    """Return how many meters and sets of gauges have fallen silent."""
    return last_heard(branch_id, only_silent=True).count()
