"""People who log in, and the branch they belong to."""

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils.translation import gettext_lazy

from shared.model_parts import between, known_values
from shared.roles import Permission, may


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
