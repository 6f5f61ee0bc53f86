"""Technicians, skills, shifts, absences; when a site may be entered."""

from datetime import date
from decimal import Decimal
from typing import Final

from django.db import models
from django.db.models import Case, F, Q, When
from django.utils.translation import gettext_lazy

from fleet.models import Branch, Person, Site
from shared.model_parts import at_least, between, both_or_neither


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
    works_from = models.DateField(null=True, blank=True, help_text="First day of work; empty: before all.")
    last_on = models.DateField(null=True, blank=True, help_text="Last day of work; empty: no end known.")

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            between("start_latitude", -90, 90, "scheduling_technician_latitude_on_earth"),
            between("start_longitude", -180, 180, "scheduling_technician_longitude_on_earth"),
            at_least("cost_per_hour", 0, "scheduling_technician_cost_not_negative"),
            models.CheckConstraint(
                condition=Q(last_on__isnull=True)
                | Q(works_from__isnull=True)
                | Q(last_on__gte=F("works_from")),
                name="scheduling_technician_leaves_after_coming",
                violation_error_message=gettext_lazy("Nobody leaves before the first day."),
            ),
        ]

    def __str__(self):
        return self.name


ALWAYS: Final = date(2000, 1, 1)
"""From when a pattern holds that was there before all others."""


class Shift(models.Model):
    """Working hours of one weekday. Monday is 0.

    The rows with one ``from_on`` are one pattern; on a day the newest pattern begun by then holds.
    """

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="shifts")
    from_on = models.DateField(default=ALWAYS, db_default=ALWAYS)
    weekday = models.PositiveSmallIntegerField()
    starts_at = models.TimeField()
    ends_at = models.TimeField()
    lunch_minutes = models.PositiveSmallIntegerField(default=30)

    class Meta:
        ordering = ["technician", "from_on", "weekday"]
        constraints = [
            models.UniqueConstraint(
                fields=["technician", "from_on", "weekday"], name="scheduling_shift_once_per_pattern"
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
    """Days a technician does not work, first to last, both included; with times only those hours of each.

    ``repeats_until``: the same again every seven days, on days up to that one.
    """

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="absences")
    first_on = models.DateField()
    last_on = models.DateField()
    starts_at = models.TimeField(null=True, blank=True, help_text="Empty: all day.")
    ends_at = models.TimeField(null=True, blank=True)
    repeats_until = models.DateField(null=True, blank=True, help_text="Empty: once.")
    reason = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["technician", "first_on"]
        constraints = [
            models.CheckConstraint(
                condition=Q(last_on__gte=F("first_on")), name="scheduling_absence_last_not_before_first"
            ),
            models.CheckConstraint(
                condition=Q(starts_at__isnull=True, ends_at__isnull=True) | Q(ends_at__gt=F("starts_at")),
                name="scheduling_absence_hours_end_after_start",
            ),
            both_or_neither("starts_at", "ends_at", "scheduling_absence_hours_together"),
            models.CheckConstraint(
                condition=Q(repeats_until__isnull=True) | Q(repeats_until__gte=F("last_on")),
                name="scheduling_absence_repeats_after_last",
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


class SiteClosure(models.Model):
    """Days on which nobody is let in at a site, first to last, both included."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="closures")
    first_on = models.DateField()
    last_on = models.DateField()
    reason = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["site", "first_on"]
        constraints = [
            models.CheckConstraint(
                condition=Q(last_on__gte=F("first_on")), name="scheduling_siteclosure_last_not_before_first"
            ),
        ]

    def __str__(self):
        return f"{self.site_id} {self.first_on}–{self.last_on}"


class HolidayRegion(models.Model):
    """Whose public holidays a branch keeps; the row without a branch is the company's."""

    branch = models.OneToOneField(
        Branch, on_delete=models.CASCADE, null=True, blank=True, related_name="holiday_region"
    )
    country = models.CharField(max_length=2, blank=True, help_text="ISO 3166-1; empty: no holidays.")
    subdivision = models.CharField(max_length=10, blank=True, help_text="ISO 3166-2 without the country.")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Case(When(branch__isnull=True, then=1)),
                condition=Q(branch__isnull=True),
                name="scheduling_holidayregion_one_of_company",
            ),
        ]

    def __str__(self):
        return "-".join(filter(None, (self.country, self.subdivision)))


class CalendarDay(models.Model):
    """A day that differs from the calendar: shut for another reason, or worked though a holiday."""

    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, related_name="calendar_days")
    day = models.DateField()
    is_worked = models.BooleanField()
    reason = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["branch", "day"]
        constraints = [
            models.UniqueConstraint(fields=["branch", "day"], name="scheduling_calendarday_once"),
        ]

    def __str__(self):
        return f"{self.branch_id} {self.day} {'worked' if self.is_worked else 'shut'}"
