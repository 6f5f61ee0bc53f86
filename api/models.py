"""Tokens of other programs, and the answers that a repeated call gets again."""

from django.db import models
from django.db.models import F, Q

from fleet.models import Person
from shared.model_parts import both_or_neither


class TokenQuerySet(models.QuerySet):
    """Words about tokens."""

    def active(self, now):
        """Keep those that still open a door."""
        return self.filter(revoked_at__isnull=True, expires_at__gt=now)


class ApiToken(models.Model):
    """A person's key for one other program. The secret itself is shown once and never kept."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=80, help_text="Which program uses it.")
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    secret_start = models.CharField(max_length=16, help_text="Enough to recognise it by.")
    permissions = models.JSONField(default=list, help_text="Names in shared.roles.Permission, lower case.")
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = TokenQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("made_at")),
                name="api_apitoken_expires_after_made",
                violation_error_message="A token expires after it was made.",
            ),
        ]

    def __str__(self):
        return f"{self.name} ({self.secret_start}…)"


class IdempotencyRecord(models.Model):
    """What a call with an ``Idempotency-Key`` was answered. Without a status it is still being worked on."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=255)
    body_hash = models.CharField(max_length=64)
    claimed_at = models.DateTimeField()
    answered_at = models.DateTimeField(null=True, blank=True)
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    answer = models.BinaryField(default=b"", help_text="The answer's JSON, compressed.")

    class Meta:
        # Renamed in Python only: releases that run beside this one know the table by its old name.
        db_table = "api_keptanswer"
        constraints = [
            models.UniqueConstraint(fields=["person", "key"], name="api_keptanswer_key_once"),
            both_or_neither("status", "answered_at", "api_keptanswer_status_when_answered"),
        ]
        indexes = [models.Index(fields=["person", "claimed_at"], name="api_keptanswer_old")]

    def __str__(self):
        return f"{self.key} of {self.person_id}"
