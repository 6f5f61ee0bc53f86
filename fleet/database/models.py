"""What proves that history was neither altered nor lost."""

from django.db import models

from shared.model_parts import History


class HistorySeal(models.Model):
    """That one row of history stands: a digest over the seal before it and what never changes of the row.

    So that no row can be altered, lost or put in between without every later digest being wrong.
    """

    history = History()

    table = models.CharField(max_length=63)
    row = models.BigIntegerField()
    digest = models.BinaryField(max_length=32, help_text="SHA-256.")

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["table", "row"], name="fleet_historyseal_once")]

    def __str__(self):
        return f"{self.table} {self.row}"
