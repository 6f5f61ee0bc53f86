"""Parts on shelves and vans. Counts are sums of movements, which are added to, never edited."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Branch, PartKind, Person
from scheduling.crew.models import Technician
from scheduling.visits.models import CloseOut
from shared.translation import MessageField


class StockPlace(models.Model):
    """A shelf at a branch or a technician's van."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT)
    technician = models.OneToOneField(
        Technician, on_delete=models.PROTECT, null=True, blank=True, related_name="van"
    )

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class StockLevel(models.Model):
    """How many of a kind and lot lie at a place: the movements' sum, kept beside them and never negative."""

    place = models.ForeignKey(StockPlace, on_delete=models.PROTECT, related_name="levels")
    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="levels")
    lot = models.CharField(max_length=60, blank=True)
    quantity = models.IntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["place", "kind", "lot"], name="scheduling_stocklevel_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=0),
                name="scheduling_stocklevel_not_negative",
                violation_error_message=gettext_lazy("There are not that many here."),
            ),
        ]

    def __str__(self):
        return f"{self.quantity} × {self.kind_id} at {self.place_id}"


class StockMovement(models.Model):
    """Parts that came to or left a place."""

    place = models.ForeignKey(StockPlace, on_delete=models.PROTECT, related_name="movements")
    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT)
    lot = models.CharField(max_length=60, blank=True)
    quantity = models.IntegerField(help_text="Positive in, negative out.")
    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)
    close_out = models.ForeignKey(
        CloseOut, on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    cause_key = models.CharField(max_length=120, unique=True)
    note = MessageField(blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(quantity=0), name="scheduling_stockmovement_moves_something"),
        ]

    def __str__(self):
        return f"{self.quantity:+d} × {self.kind_id}"
