"""What ran by itself, when, and how it ended. Kept two weeks, for people who ask why."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from shared.model_parts import known_values
from shared.translation import MessageField


class TaskOutcome(models.TextChoices):
    """How a task ended."""

    RUNNING = "running", gettext_lazy("Running")
    DONE = "done", gettext_lazy("Done")
    FAILED = "failed", gettext_lazy("Failed")


class TaskRun(models.Model):
    """One attempt at one task. A worker that is killed leaves its row running: that is how it is noticed."""

    name = models.CharField(max_length=80)
    task_id = models.CharField(max_length=64)
    request_id = models.CharField(max_length=64, blank=True)
    started_at = models.DateTimeField(db_index=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    outcome = models.CharField(max_length=7, choices=TaskOutcome, default=TaskOutcome.RUNNING)
    problem = MessageField(blank=True, help_text="In plain words, without anybody's data.")

    class Meta:
        ordering = ["-started_at", "-id"]
        constraints = [
            known_values("outcome", TaskOutcome, "fleet_taskrun_outcome_known"),
            models.CheckConstraint(
                condition=Q(outcome="running", ended_at__isnull=True)
                | Q(outcome__in=["done", "failed"], ended_at__isnull=False),
                name="fleet_taskrun_ended_when_over",
            ),
        ]
        indexes = [models.Index(fields=["name", "outcome", "-started_at"], name="fleet_taskrun_newest")]

    def __str__(self):
        return f"{self.name} {self.outcome} {self.started_at:%Y-%m-%d %H:%M}"
