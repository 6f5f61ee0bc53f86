"""People who log in, and the branch they belong to.

Log-ins that failed, kept for an hour, so that guessing passwords is slow in every process at once.
What a person shows beside the password: codes of an app (RFC 6238), and codes on paper for its loss.
What was changed where no table keeps its own history: added to, never edited, never taken away.
"""

from typing import NoReturn

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils.translation import gettext_lazy

from shared.errors import CannotDo
from shared.messages import message
from shared.model_parts import between, known_values
from shared.roles import Permission, may
from shared.translation import MessageField


class PersonRole(models.TextChoices):
    """The roles of ``shared.roles`` as a column's choices."""

    PLANNER = "planner", gettext_lazy("Planner")
    TECHNICIAN = "technician", gettext_lazy("Technician")
    OWNER = "owner", gettext_lazy("Owner")
    INTEGRATOR = "integrator", gettext_lazy("Integrator")


class MeasureSystem(models.TextChoices):
    """What a person wants to see numbers in."""

    US = "us", gettext_lazy("US measures")
    METRIC = "metric", gettext_lazy("Metric measures")


class Language(models.TextChoices):
    """Languages the pages speak, each called by its own name. Empty: what the browser asks for."""

    ENGLISH = "en", "English"
    SPANISH = "es", "Español"


class Branch(models.Model):
    """An office with its own sites and technicians. A small company has one."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="America/Chicago")
    latitude = models.FloatField(null=True, blank=True, help_text="Depot, degrees north.")
    longitude = models.FloatField(null=True, blank=True, help_text="Depot, degrees east.")

    class Meta:
        verbose_name_plural = "branches"
        constraints = [
            between("latitude", -90, 90, "fleet_branch_latitude_on_earth"),
            between("longitude", -180, 180, "fleet_branch_longitude_on_earth"),
        ]

    def __str__(self):
        return self.name


class Person(AbstractUser):
    """Someone, or another program, with a log-in and one role."""

    role = models.CharField(max_length=12, choices=PersonRole, default=PersonRole.TECHNICIAN)
    branch = models.ForeignKey(
        Branch, on_delete=models.PROTECT, null=True, blank=True, help_text="Empty: sees every branch."
    )
    measure_system = models.CharField(max_length=6, choices=MeasureSystem, default=MeasureSystem.US)
    language = models.CharField(
        max_length=7,
        choices=Language,
        blank=True,
        default="",
        db_default="",
        help_text="Empty: the browser's.",
    )
    time_zone = models.CharField(
        max_length=64, blank=True, default="", db_default="", help_text="Empty: the company's own."
    )
    phone = models.CharField(max_length=40, blank=True)

    class Meta:
        verbose_name_plural = "people"
        constraints = [
            known_values("role", PersonRole, "fleet_person_role_known"),
            known_values("measure_system", MeasureSystem, "fleet_person_measure_system_known"),
            models.CheckConstraint(
                condition=models.Q(language__in=["", *Language.values]), name="fleet_person_language_known"
            ),
        ]

    def may(self, permission: Permission) -> bool:
        """Ask the roles table."""
        return self.is_active and may(self.role, permission)

    def __str__(self):
        return self.get_full_name() or self.username


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


REMEDY = gettext_lazy("Write a further entry that says what is right.")


class AuditArea(models.TextChoices):
    """What an entry of the audit trail is about."""

    FLEET = "fleet", gettext_lazy("Sites, treatment units, readings")
    WORK = "work", gettext_lazy("Work orders")
    PLANS = "plans", gettext_lazy("Plans and routes")
    STOCK = "stock", gettext_lazy("Stock")
    MONEY = "money", gettext_lazy("Prices and revenue")
    PEOPLE = "people", gettext_lazy("People and log-ins")
    OUTSIDE = "outside", gettext_lazy("Tokens, webhooks, telemetry")
    FILES = "files", gettext_lazy("Files taken out")


class AuditQuerySet(models.QuerySet):
    """Refuses what PostgreSQL refuses by a trigger, so that SQLite keeps the trail too."""

    def update(self, **changed) -> NoReturn:
        """Refuse."""
        raise CannotDo(message("The audit trail is not changed."), remedy=REMEDY)

    def delete(self) -> NoReturn:
        """Refuse."""
        raise CannotDo(message("Nothing is taken from the audit trail."), remedy=REMEDY)


class AuditEntry(models.Model):
    """One change: when, who, what to which thing. On PostgreSQL a trigger refuses UPDATE and DELETE."""

    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    area = models.CharField(max_length=8, choices=AuditArea)
    what = models.CharField(max_length=80)
    about = models.CharField(max_length=200, blank=True)
    detail = MessageField(blank=True)

    objects = AuditQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "audit entries"
        ordering = ["-at", "-id"]
        constraints = [known_values("area", AuditArea, "fleet_auditentry_area_known")]
        indexes = [models.Index(fields=["at"], name="fleet_auditentry_at")]

    def __str__(self):
        return f"{self.at:%Y-%m-%d %H:%M} {self.what}"

    def save(self, *args, **kwargs) -> None:
        """Add a row; refuse to change one."""
        if not self._state.adding:
            raise CannotDo(message("The audit trail is not changed."), remedy=REMEDY)
        super().save(*args, **kwargs)

    def delete(self, *args, **kwargs) -> NoReturn:
        """Refuse."""
        raise CannotDo(message("Nothing is taken from the audit trail."), remedy=REMEDY)
