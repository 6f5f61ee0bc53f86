"""Long work that somebody asked for on a page: what it is, how it ended, what came of it."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Person
from shared.model_parts import known_values
from shared.translation import MessageField, MessagesField


class JobKind(models.TextChoices):
    """What is done."""

    IMPORT_LOOK = "import_look", gettext_lazy("Look at a spreadsheet")
    IMPORT_WRITE = "import_write", gettext_lazy("Bring a spreadsheet in")
    UPKEEP = "upkeep", gettext_lazy("Assess the fleet and raise work")


class JobState(models.TextChoices):
    """Where it stands."""

    RUNNING = "running", gettext_lazy("At work")
    DONE = "done", gettext_lazy("Done")
    STOPPED = "stopped", gettext_lazy("Stopped")
    FAILED = "failed", gettext_lazy("Failed")


class LongJob(models.Model):
    """One piece of work. How far it has come stands in the cache: what it writes may not be seen yet."""

    kind = models.CharField(max_length=12, choices=JobKind)
    state = models.CharField(max_length=7, choices=JobState, default=JobState.RUNNING)
    upload = models.UUIDField(null=True, blank=True, help_text="Which kept file it is about.")
    given = models.JSONField(default=dict, blank=True, help_text="What it was asked to do.")
    answer = MessagesField(default=dict, blank=True, help_text="What came of it.")
    problem = MessageField(blank=True, help_text="Why it failed, with the remedy.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            known_values("kind", JobKind, "scheduling_longjob_kind_known"),
            known_values("state", JobState, "scheduling_longjob_state_known"),
            models.CheckConstraint(
                condition=Q(state="running", ended_at__isnull=True)
                | Q(state__in=["done", "stopped", "failed"], ended_at__isnull=False),
                name="scheduling_longjob_ended_when_over",
            ),
            models.UniqueConstraint(
                fields=["upload"],
                condition=Q(state="running"),
                name="scheduling_longjob_one_at_a_time_per_upload",
                violation_error_message=gettext_lazy("This file is being worked on already."),
            ),
        ]

    def __str__(self):
        return f"{self.get_kind_display()} #{self.pk}"

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state != JobState.RUNNING


class SpreadsheetMapping(models.Model):
    """What the columns of a company's own spreadsheet mean, kept under a name for the next file like it."""

    name = models.CharField(max_length=80, unique=True)
    headers = models.JSONField(help_text="Headers by sheet name, by which a file like it is known.")
    choices = models.JSONField(help_text="What each column means and what holds for the whole file.")
    changed_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    changed_at = models.DateTimeField()

    class Meta:
        ordering = ["-changed_at", "-id"]

    def __str__(self):
        return self.name
