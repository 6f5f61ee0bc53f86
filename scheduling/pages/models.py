"""Saved views: a filter somebody uses again and again, under a name of their own."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Person
from shared.model_parts import known_values


class ViewOf(models.TextChoices):
    """The lists a view can be of."""

    FLEET = "fleet_list", gettext_lazy("Fleet")
    ORDERS = "work_orders", gettext_lazy("Work orders")


class SavedView(models.Model):
    """One filter and sort of one list. Removed views are kept, so that removing can be undone."""

    owner = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="saved_views")
    view_of = models.CharField(max_length=20, choices=ViewOf)
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=600, help_text="What follows the question mark of the address.")
    is_shared = models.BooleanField(default=False, help_text="Everybody who may see the list sees the view.")
    made_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            known_values("view_of", ViewOf, "scheduling_savedview_view_of_known"),
            models.UniqueConstraint(
                fields=["owner", "view_of", "name"],
                condition=Q(removed_at=None),
                name="scheduling_savedview_name_once_per_list",
            ),
            models.CheckConstraint(condition=~Q(name=""), name="scheduling_savedview_has_a_name"),
        ]

    def __str__(self):
        return self.name
