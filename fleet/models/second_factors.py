"""What a person shows beside the password: codes of an app (RFC 6238), and codes on paper for its loss."""

from django.db import models

from fleet.models.people import Person


class SecondFactor(models.Model):
    """One person's app. Its secret is derived from ``salt`` and the installation's key, and kept nowhere."""

    person = models.OneToOneField(Person, on_delete=models.CASCADE, related_name="second_factor")
    salt = models.CharField(max_length=32, editable=False)
    begun_at = models.DateTimeField()
    confirmed_at = models.DateTimeField(null=True, blank=True)
    last_step = models.BigIntegerField(default=0, help_text="Of the last code taken; it opens nothing again.")

    def __str__(self):
        return f"second factor of {self.person_id}"


class RecoveryCode(models.Model):
    """One code on paper, kept as a hash, good once."""

    factor = models.ForeignKey(SecondFactor, on_delete=models.CASCADE, related_name="recovery_codes")
    code_hash = models.CharField(max_length=128, editable=False)
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self):
        return f"recovery code {self.pk}"
