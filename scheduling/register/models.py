"""What a person began to enter of a new customer and has not finished."""

from django.db import models

from fleet.models import Person


class NewCustomerDraft(models.Model):
    """One person's unfinished walk: what stands in the fields, as typed."""

    person = models.OneToOneField(Person, on_delete=models.CASCADE, related_name="new_customer_draft")
    fields = models.JSONField(default=dict)
    changed_at = models.DateTimeField()

    class Meta:
        ordering = ["person"]

    def __str__(self):
        return f"draft of {self.person_id}"
