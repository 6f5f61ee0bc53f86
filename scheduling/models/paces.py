"""How long drives and work really take, as somebody accepted it from finished visits."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Branch, Person


class AcceptedPace(models.Model):
    """A factor on estimated drives, or on the minutes of one kind of order. The newest of its sort counts."""

    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, related_name="+")
    what = models.CharField(max_length=24, help_text="'drive', or a kind of order.")
    factor = models.FloatField()
    visits = models.PositiveIntegerField(help_text="Finished drives or visits it rests on; 0 for back to 1.")
    error_before = models.FloatField(default=0, help_text="Median error without it, percent.")
    error_after = models.FloatField(default=0, help_text="Median error with it, percent.")
    accepted_at = models.DateTimeField()
    accepted_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-accepted_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(factor__gte=0.5, factor__lte=2.0),
                name="scheduling_acceptedpace_factor_believable",
                violation_error_message=gettext_lazy("A pace lies between half and twice what is reckoned."),
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "what", "-accepted_at"], name="scheduling_acceptedpace_newest")
        ]

    def __str__(self):
        return f"{self.what} × {self.factor:g}"
