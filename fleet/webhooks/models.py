"""Webhooks: who is told what by HTTP, the outbox, and each attempt. No secret is kept in any table."""

import uuid

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.people.models import Branch, Person
from shared.model_parts import known_values
from shared.translation import MessageField


class WebhookKind(models.TextChoices):
    """What may be told."""

    ORDER_RAISED = "order.raised", gettext_lazy("Work order raised")
    ORDER_UPDATED = "order.updated", gettext_lazy("Work order changed")
    ORDER_WITHDRAWN = "order.withdrawn", gettext_lazy("Work order withdrawn")
    ORDER_CLOSED = "order.closed", gettext_lazy("Work order closed out")
    ROUTE_PUBLISHED = "route.published", gettext_lazy("Routes published")
    ROUTE_TAKEN_BACK = "route.taken_back", gettext_lazy("Routes unpublished")
    FINDING_RAISED = "finding.raised", gettext_lazy("Finding raised")
    READING_REFUSED = "reading.dead_lettered", gettext_lazy("Telemetry message refused")
    METER_SILENT = "meter.silent", gettext_lazy("Telemetry gone silent")


def new_salt() -> str:
    """Return what makes a webhook's secret its own; without the installation's key it is worth nothing."""
    return uuid.uuid4().hex


class Webhook(models.Model):
    """An address that is told of events. Its secret is derived from ``salt`` and the installation's key."""

    name = models.CharField(max_length=80)
    url = models.URLField(max_length=500)
    kinds = models.JSONField(default=list)
    branch = models.ForeignKey(
        Branch, on_delete=models.PROTECT, null=True, blank=True, related_name="+", help_text="Empty: all."
    )
    is_on = models.BooleanField(default=True)
    salt = models.CharField(max_length=32, default=new_salt, editable=False)
    old_salt = models.CharField(max_length=32, blank=True, editable=False)
    old_until = models.DateTimeField(null=True, blank=True, help_text="Until then both secrets sign.")
    failures_in_row = models.PositiveIntegerField(default=0)
    off_because = MessageField(blank=True, help_text="Set when it was switched off.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(old_salt="", old_until__isnull=True)
                | (~Q(old_salt="") & Q(old_until__isnull=False)),
                name="fleet_webhook_old_secret_ends",
            ),
        ]

    def __str__(self):
        return self.name


class WebhookEvent(models.Model):
    """One thing that happened, written in the same transaction. Its id is the same at every try."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=24, choices=WebhookKind)
    happened_at = models.DateTimeField(db_index=True)
    body = models.TextField(help_text="The very text that is signed and sent.")

    class Meta:
        ordering = ["-happened_at"]
        constraints = [known_values("kind", WebhookKind, "fleet_webhookevent_kind_known")]

    def __str__(self):
        return f"{self.kind} {self.id}"


class DeliveryState(models.TextChoices):
    """Where a delivery stands."""

    WAITING = "waiting", gettext_lazy("Waiting")
    DELIVERED = "delivered", gettext_lazy("Delivered")
    FAILED = "failed", gettext_lazy("Given up")


class WebhookDelivery(models.Model):
    """One event for one address. A claim runs out, so that a killed sender loses nothing."""

    event = models.ForeignKey(WebhookEvent, on_delete=models.CASCADE, related_name="deliveries")
    webhook = models.ForeignKey(Webhook, on_delete=models.CASCADE, related_name="deliveries")
    state = models.CharField(max_length=9, choices=DeliveryState, default=DeliveryState.WAITING)
    next_try_at = models.DateTimeField()
    claimed_until = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    delivered_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(fields=["event", "webhook"], name="fleet_webhookdelivery_once"),
            known_values("state", DeliveryState, "fleet_webhookdelivery_state_known"),
            models.CheckConstraint(
                condition=Q(state="delivered", delivered_at__isnull=False)
                | (~Q(state="delivered") & Q(delivered_at__isnull=True)),
                name="fleet_webhookdelivery_delivered_has_moment",
            ),
        ]
        indexes = [models.Index(fields=["state", "next_try_at"], name="fleet_webhookdelivery_to_send")]

    def __str__(self):
        return f"{self.event_id} to {self.webhook_id}"


class WebhookAttempt(models.Model):
    """One try: what the address answered, or why nothing came."""

    delivery = models.ForeignKey(WebhookDelivery, on_delete=models.CASCADE, related_name="attempts")
    at = models.DateTimeField()
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    milliseconds = models.PositiveIntegerField()
    problem = MessageField(blank=True)
    answer = models.CharField(max_length=300, blank=True, help_text="The answer's beginning.")

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self):
        return f"{self.delivery_id} {self.status or self.problem}"
