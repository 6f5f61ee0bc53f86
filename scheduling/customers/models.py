"""What customers were told of visits: the visit as last told, and each notice with what became of it.

Calendar feeds: the secret address at which a technician's own calendar asks for the days ahead.
"""

import uuid
from datetime import timedelta
from typing import Final

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Customer, Person, Site
from scheduling.crew.models import Technician
from scheduling.routes.models import Stop
from shared.model_parts import known_values
from shared.translation import MessageField

CUT_OFF_AFTER: Final = timedelta(minutes=15)
"""A claim this old belongs to a sender that died."""


class VisitState(models.TextChoices):
    """Whether a visit that was told is still to come."""

    STANDING = "standing", gettext_lazy("To come")
    OVER = "over", gettext_lazy("Its day is over")
    CANCELLED = "cancelled", gettext_lazy("Cancelled")


class ToldVisit(models.Model):
    """A visit as its customer knows it. ``uid`` and ``sequence`` are its calendar entry's (RFC 5545)."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    sequence = models.PositiveIntegerField(default=0)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="told_visits")
    stop = models.ForeignKey(Stop, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    order_ids = models.JSONField(
        default=list, help_text="Orders of the visit, to know it again after a re-plan."
    )
    arrives_from = models.DateTimeField(help_text="Begin of the span told for arrival.")
    arrives_until = models.DateTimeField()
    minutes = models.PositiveIntegerField()
    technician = models.CharField(max_length=120)
    state = models.CharField(max_length=9, choices=VisitState, default=VisitState.STANDING)

    class Meta:
        ordering = ["arrives_from", "id"]
        constraints = [
            known_values("state", VisitState, "scheduling_toldvisit_state_known"),
            models.CheckConstraint(
                condition=Q(arrives_until__gt=F("arrives_from")), name="scheduling_toldvisit_span_in_order"
            ),
            models.UniqueConstraint(
                fields=["stop"],
                condition=Q(state="standing", stop__isnull=False),
                name="scheduling_toldvisit_one_standing_per_stop",
            ),
        ]
        indexes = [models.Index(fields=["state", "arrives_from"], name="scheduling_toldvisit_to_come")]

    def __str__(self):
        return f"{self.site_id} {self.arrives_from:%Y-%m-%d}"


class NoticeKind(models.TextChoices):
    """What a notice tells."""

    BOOKED = "booked", gettext_lazy("Visit booked")
    MOVED = "moved", gettext_lazy("Visit moved")
    CANCELLED = "cancelled", gettext_lazy("Visit cancelled")


class NoticeState(models.TextChoices):
    """What became of a notice. Claimed and never heard of again is unclear: it may have gone out."""

    WAITING = "waiting", gettext_lazy("Waiting")
    CLAIMED = "claimed", gettext_lazy("Being sent, or cut off while sending")
    SENT = "sent", gettext_lazy("Sent")
    OVERTAKEN = "overtaken", gettext_lazy("Overtaken before it was sent")
    NOT_WANTED = "not_wanted", gettext_lazy("Not sent: no address, or not wanted")
    FAILED = "failed", gettext_lazy("Failed")


class Notice(models.Model):
    """One e-mail for one cause. The cause is unique, so that it is never written twice."""

    cause_key = models.CharField(max_length=120, unique=True)
    visit = models.ForeignKey(ToldVisit, on_delete=models.PROTECT, related_name="notices")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="notices")
    kind = models.CharField(max_length=9, choices=NoticeKind)
    state = models.CharField(max_length=10, choices=NoticeState, default=NoticeState.WAITING)
    to_email = models.EmailField(blank=True)
    subject = models.CharField(max_length=200)
    body = models.TextField()
    calendar = models.TextField(help_text="The attached calendar, as sent (RFC 5545).")
    made_at = models.DateTimeField()
    next_try_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)
    claimed_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    problem = MessageField(blank=True)
    resent_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            known_values("kind", NoticeKind, "scheduling_notice_kind_known"),
            known_values("state", NoticeState, "scheduling_notice_state_known"),
            models.CheckConstraint(
                condition=Q(state="sent", sent_at__isnull=False)
                | (~Q(state="sent") & Q(sent_at__isnull=True)),
                name="scheduling_notice_sent_has_moment",
            ),
        ]
        indexes = [models.Index(fields=["state", "next_try_at"], name="scheduling_notice_to_send")]

    def __str__(self):
        return f"{self.kind} {self.cause_key}"


class CalendarFeed(models.Model):
    """One technician's feed. Only a hash of the secret is kept: this table opens no calendar."""

    technician = models.OneToOneField(Technician, on_delete=models.CASCADE, related_name="calendar_feed")
    secret_hash = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the secret, in hex.")
    uid_space = models.UUIDField(default=uuid.uuid4, help_text="Keeps event names the same over rotations.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    last_read_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["technician"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(secret_hash__regex=r"^[0-9a-f]{64}$"),
                name="scheduling_calendarfeed_secret_is_hashed",
                violation_error_message=gettext_lazy("Keep the SHA-256 of the secret, never the secret."),
            ),
        ]

    def __str__(self):
        return f"feed of {self.technician_id}"
