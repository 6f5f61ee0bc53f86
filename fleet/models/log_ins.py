"""Log-ins that failed, kept for an hour, so that guessing passwords is slow in every process at once."""

from django.db import models


class FailedLogIn(models.Model):
    """One wrong password. Name and address are keyed hashes: the table tells nobody who tried from where."""

    account_key = models.CharField(max_length=64)
    address_key = models.CharField(max_length=64, blank=True, help_text="Empty: the address is not known.")
    failed_at = models.DateTimeField()

    class Meta:
        ordering = ["-failed_at", "-id"]
        indexes = [
            models.Index(fields=["account_key", "failed_at"], name="fleet_failedlogin_account"),
            models.Index(fields=["address_key", "failed_at"], name="fleet_failedlogin_address"),
            models.Index(fields=["failed_at"], name="fleet_failedlogin_at"),
        ]

    def __str__(self):
        return f"failed at {self.failed_at:%Y-%m-%d %H:%M}"
