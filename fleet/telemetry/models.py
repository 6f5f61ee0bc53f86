"""What comes in by telemetry: how messages are read, what was last heard, what could not be taken."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.people.models import Branch, Person
from fleet.register.models import TreatmentUnit
from shared.model_parts import known_values
from shared.translation import MessageField


class MomentForm(models.TextChoices):
    """How a payload writes its moment."""

    ISO = "iso", gettext_lazy("Date and time with zone (RFC 3339)")
    SECONDS = "seconds", gettext_lazy("Seconds since 1970-01-01 UTC")
    MILLISECONDS = "milliseconds", gettext_lazy("Milliseconds since 1970-01-01 UTC")


class TelemetryMap(models.Model):
    """How messages of some topics are read, from a moment on. A change is a new row; the old one stays."""

    name = models.SlugField(max_length=60)
    counts_from = models.DateTimeField()
    is_on = models.BooleanField(default=True)
    topic = models.CharField(max_length=200, help_text="E.g. sites/{any}/units/{serial}/water.")
    rows_path = models.CharField(max_length=120, blank=True, help_text="Where the list of readings lies.")
    serial_path = models.CharField(max_length=120, blank=True)
    moment_path = models.CharField(max_length=120)
    moment_form = models.CharField(max_length=12, choices=MomentForm, default=MomentForm.ISO)
    fields = models.JSONField(default=list, help_text="Quantity, its path in the payload and its measure.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["name", "-counts_from"]
        constraints = [
            models.UniqueConstraint(fields=["name", "counts_from"], name="fleet_telemetrymap_once_a_moment"),
            known_values("moment_form", MomentForm, "fleet_telemetrymap_moment_form_known"),
        ]

    def __str__(self):
        return f"{self.name} from {self.counts_from:%Y-%m-%d %H:%M}"


class HeardSource(models.TextChoices):
    """What of a treatment unit reports by itself."""

    FEED = "feed", gettext_lazy("Feed meter")
    PERMEATE = "permeate", gettext_lazy("Permeate meter")
    CONCENTRATE = "concentrate", gettext_lazy("Concentrate meter")
    GAUGES = "gauges", gettext_lazy("Gauges")


class LastHeard(models.Model):
    """When a meter or the gauges of a treatment unit were last heard by telemetry."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.CASCADE, related_name="last_heard")
    source = models.CharField(max_length=12, choices=HeardSource)
    heard_at = models.DateTimeField(help_text="When the last good reading came in.")
    read_at = models.DateTimeField(help_text="The newest moment it was read at.")
    silent_since = models.DateTimeField(null=True, blank=True, help_text="Set when its silence was noticed.")

    class Meta:
        verbose_name_plural = "last heard"
        ordering = ["heard_at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["treatment_unit", "source"], name="fleet_lastheard_once"),
            known_values("source", HeardSource, "fleet_lastheard_source_known"),
        ]
        indexes = [models.Index(fields=["heard_at"], name="fleet_lastheard_quiet")]

    def __str__(self):
        return f"{self.treatment_unit_id} {self.source} {self.heard_at:%Y-%m-%d %H:%M}"


class DeadLetterState(models.TextChoices):
    """What became of a message that could not be taken."""

    WAITING = "waiting", gettext_lazy("Waiting for a person")
    TAKEN = "taken", gettext_lazy("Taken at a later try")
    DISMISSED = "dismissed", gettext_lazy("Dismissed")


class DeadLetter(models.Model):
    """A message that could not be taken in full, with its reason. The same one again only counts up."""

    fingerprint = models.CharField(max_length=64, unique=True, help_text="SHA-256 of topic and payload.")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    topic = models.TextField()
    payload = models.BinaryField()
    payload_bytes = models.PositiveIntegerField(help_text="How long it was; very long ones are kept cut.")
    map_name = models.CharField(max_length=60, blank=True)
    field = models.CharField(max_length=120, blank=True)
    reason = MessageField()
    remedy = MessageField(blank=True)
    state = models.CharField(max_length=9, choices=DeadLetterState, default=DeadLetterState.WAITING)
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    times = models.PositiveIntegerField(default=1)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-last_at", "-id"]
        constraints = [
            known_values("state", DeadLetterState, "fleet_deadletter_state_known"),
            models.CheckConstraint(
                condition=Q(state="waiting", settled_at__isnull=True)
                | (~Q(state="waiting") & Q(settled_at__isnull=False)),
                name="fleet_deadletter_settled_has_moment",
            ),
        ]
        indexes = [models.Index(fields=["state", "-last_at"], name="fleet_deadletter_to_look_at")]

    def __str__(self):
        return f"{self.topic[:60]}: {self.reason}"


class TelemetryDay(models.Model):
    """How much came in by telemetry on a day (UTC)."""

    day = models.DateField(unique=True)
    messages = models.PositiveBigIntegerField(default=0)
    recorded = models.PositiveBigIntegerField(default=0)
    duplicates = models.PositiveBigIntegerField(default=0)
    refused = models.PositiveBigIntegerField(default=0, help_text="Messages that went to the dead letters.")

    class Meta:
        ordering = ["-day"]

    def __str__(self):
        return f"{self.day}: {self.recorded}"
