"""What people's hands did to a plan: moves that can be undone, and re-plans after a sick call."""

from django.db import models
from django.db.models import F, Q

from fleet.models import Person
from scheduling.models.routes import RouteProposal
from scheduling.models.technicians import Absence, Technician
from shared.model_parts import both_or_neither


class PlanRevision(models.Model):
    """One kept move. ``before`` holds what it replaced, so that undoing gives exactly that back."""

    proposal = models.ForeignKey(RouteProposal, on_delete=models.CASCADE, related_name="revisions")
    number = models.PositiveIntegerField(help_text="1 is the first change by hand.")
    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    what = models.TextField()
    effect = models.JSONField(default=dict, blank=True)
    before = models.JSONField(default=dict)
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["proposal", "-number"]
        constraints = [
            models.UniqueConstraint(
                fields=["proposal", "number"], name="scheduling_planrevision_number_once"
            ),
            models.CheckConstraint(
                condition=Q(undone_at__isnull=False) | Q(undone_by__isnull=True),
                name="scheduling_planrevision_undone_by_with_moment",
            ),
        ]

    def __str__(self):
        return f"plan {self.proposal_id} change {self.number}"


class Replan(models.Model):
    """A sick call or urgent work: the absence it wrote, the proposal it made, what was in force before."""

    proposal = models.OneToOneField(RouteProposal, on_delete=models.CASCADE, related_name="replan")
    technician = models.ForeignKey(
        Technician, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    absence = models.ForeignKey(Absence, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    first_on = models.DateField(null=True, blank=True)
    last_on = models.DateField(null=True, blank=True)
    urgent = models.JSONField(default=list, blank=True, help_text="Keys of the orders called urgent.")
    was_in_force = models.JSONField(default=list, blank=True, help_text="Keys of the stops' orders in force.")
    lost = models.JSONField(default=list, blank=True, help_text="Promises that could not be kept, and why.")
    effect = models.JSONField(default=dict, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            both_or_neither("first_on", "last_on", "scheduling_replan_days_together"),
            models.CheckConstraint(
                condition=Q(last_on__isnull=True) | Q(last_on__gte=F("first_on")),
                name="scheduling_replan_days_in_order",
            ),
        ]

    def __str__(self):
        return f"re-plan {self.proposal_id}"
