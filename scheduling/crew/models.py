"""Technicians, skills, shifts, absences; when a site may be entered."""

from decimal import Decimal

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Branch, Person, Site
from shared.model_parts import at_least, between


class Skill(models.Model):
    """Something only some technicians may do, e.g. a licensed trade."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class Technician(models.Model):
    """Someone with a van."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    person = models.OneToOneField(
        Person, on_delete=models.PROTECT, null=True, blank=True, related_name="technician"
    )
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="technicians")
    start_latitude = models.FloatField()
    start_longitude = models.FloatField()
    skills = models.ManyToManyField(Skill, blank=True, related_name="technicians")
    cost_per_hour = models.DecimalField(max_digits=8, decimal_places=2, default=Decimal("0"))
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            between("start_latitude", -90, 90, "scheduling_technician_latitude_on_earth"),
            between("start_longitude", -180, 180, "scheduling_technician_longitude_on_earth"),
            at_least("cost_per_hour", 0, "scheduling_technician_cost_not_negative"),
        ]

    def __str__(self):
        return self.name


class Shift(models.Model):
    """Working hours of one weekday. Monday is 0."""

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="shifts")
    weekday = models.PositiveSmallIntegerField()
    starts_at = models.TimeField()
    ends_at = models.TimeField()
    lunch_minutes = models.PositiveSmallIntegerField(default=30)

    class Meta:
        ordering = ["technician", "weekday"]
        constraints = [
            models.UniqueConstraint(
                fields=["technician", "weekday"], name="scheduling_shift_one_per_weekday"
            ),
            between("weekday", 0, 6, "scheduling_shift_weekday_known"),
            models.CheckConstraint(
                condition=Q(ends_at__gt=F("starts_at")),
                name="scheduling_shift_ends_after_start",
                violation_error_message=gettext_lazy("A shift ends after it starts."),
            ),
        ]

    def __str__(self):
        return f"{self.technician} {self.weekday} {self.starts_at}–{self.ends_at}"


class Absence(models.Model):
    """Days a technician does not work, first to last, both included."""

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="absences")
    first_on = models.DateField()
    last_on = models.DateField()
    reason = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["technician", "first_on"]
        constraints = [
            models.CheckConstraint(
                condition=Q(last_on__gte=F("first_on")), name="scheduling_absence_last_not_before_first"
            ),
        ]

    def __str__(self):
        return f"{self.technician} {self.first_on}–{self.last_on}"


class AccessHours(models.Model):
    """When a site may be entered. No row at all: any time; some rows: only then."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="access_hours")
    weekday = models.PositiveSmallIntegerField()
    opens_at = models.TimeField()
    closes_at = models.TimeField()

    class Meta:
        verbose_name_plural = "access hours"
        ordering = ["site", "weekday", "opens_at"]
        constraints = [
            between("weekday", 0, 6, "scheduling_accesshours_weekday_known"),
            models.UniqueConstraint(
                fields=["site", "weekday", "opens_at"], name="scheduling_accesshours_once"
            ),
            models.CheckConstraint(
                condition=Q(closes_at__gt=F("opens_at")),
                name="scheduling_accesshours_closes_after_opening",
            ),
        ]

    def __str__(self):
        return f"{self.site_id} {self.weekday} {self.opens_at}–{self.closes_at}"
