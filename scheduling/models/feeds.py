"""Calendar feeds: the secret address at which a technician's own calendar asks for the days ahead."""

import uuid

from django.db import models
from django.utils.translation import gettext_lazy

from fleet.models import Person
from scheduling.models.technicians import Technician


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
