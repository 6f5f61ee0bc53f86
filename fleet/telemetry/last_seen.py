"""Who was heard last, how much came in on a day, and who has fallen silent.

How it stands with what comes in and goes out by itself: for the pages and for watching.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import connection, transaction
from django.db.models import F, Min, Q, QuerySet

from fleet.models import (
    DeadLetter,
    DeadLetterState,
    DeliveryState,
    LastHeard,
    TelemetryDay,
    TreatmentUnit,
    Webhook,
    WebhookDelivery,
    WebhookKind,
)
from fleet.readings.rows import chunks
from fleet.webhooks import outbox


@dataclass(frozen=True)
class Heard:
    """A reading that came in: which message, which treatment unit, what of it, read when."""

    place: int
    treatment_unit_id: int
    source: str
    read_at: datetime


def note(found: Sequence[Heard], *, now: datetime) -> None:
    """Note who was heard. A later reading moment never goes back to an earlier one."""
    newest: dict[tuple[int, str], datetime] = {}
    for one in found:
        key = (one.treatment_unit_id, one.source)
        newest[key] = max(one.read_at, newest.get(key, one.read_at))
    if connection.vendor == "postgresql":
        _note_at_once(newest, now)
        return
    for part in chunks({unit_id for unit_id, _ in newest}):
        for row in LastHeard.objects.filter(treatment_unit__in=part):
            key = (row.treatment_unit_id, row.source)
            if key in newest:
                newest[key] = max(newest[key], row.read_at)
    LastHeard.objects.bulk_create(
        (
            LastHeard(treatment_unit_id=unit_id, source=source, heard_at=now, read_at=read_at)
            for (unit_id, source), read_at in sorted(newest.items())
        ),
        batch_size=500,
        update_conflicts=True,
        unique_fields=["treatment_unit", "source"],
        update_fields=["heard_at", "read_at", "silent_since"],
    )


def _note_at_once(newest: dict[tuple[int, str], datetime], now: datetime) -> None:
    """Write all in one statement, in the order of their keys: no two listeners wait for each other."""
    if not newest:
        return
    keys = sorted(newest)
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO fleet_lastheard AS known (treatment_unit_id, source, heard_at, read_at) "
            "SELECT unit_id, source, %s, read_at "
            "FROM unnest(%s::bigint[], %s::text[], %s::timestamptz[]) AS heard (unit_id, source, read_at) "
            "ON CONFLICT (treatment_unit_id, source) DO UPDATE SET heard_at = EXCLUDED.heard_at, "
            "read_at = GREATEST(known.read_at, EXCLUDED.read_at), silent_since = NULL",
            [now, [key[0] for key in keys], [key[1] for key in keys], [newest[key] for key in keys]],
        )


def count_day(now: datetime, messages: int, recorded: int, duplicates: int, refused: int) -> None:
    """Add a batch to its day's counts."""
    day, _ = TelemetryDay.objects.get_or_create(day=now.astimezone(UTC).date())
    TelemetryDay.objects.filter(pk=day.pk).update(
        messages=F("messages") + messages,
        recorded=F("recorded") + recorded,
        duplicates=F("duplicates") + duplicates,
        refused=F("refused") + refused,
    )


@transaction.atomic
def note_silence(*, now: datetime, hours: int) -> int:
    """Mark who reported before and has not for so many hours; tell it once. Returns how many are new."""
    quiet = LastHeard.objects.filter(
        silent_since__isnull=True,
        heard_at__lt=now - timedelta(hours=hours),
        treatment_unit__in=TreatmentUnit.objects.filter(site__is_closed=False),
    )
    rows = list(quiet.select_for_update(of=("self",)).select_related("treatment_unit__site"))
    LastHeard.objects.filter(pk__in=[row.pk for row in rows]).update(silent_since=now)
    outbox.publish(
        WebhookKind.METER_SILENT,
        (
            outbox.OutboxEvent(
                row.treatment_unit.site.branch_id,
                {
                    "treatment_unit_serial": row.treatment_unit.serial,
                    "site_code": row.treatment_unit.site.code,
                    "source": row.source,
                    "heard_at": row.heard_at.isoformat(),
                },
            )
            for row in rows
        ),
        now=now,
    )
    return len(rows)


def oldest_undelivered_at(now: datetime) -> datetime | None:
    """Return since when the oldest event that can be delivered waits; None when nothing does."""
    waiting = WebhookDelivery.objects.filter(state=DeliveryState.WAITING, webhook__is_on=True)
    return waiting.aggregate(oldest=Min("event__happened_at"))["oldest"]


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
