"""Proposals for a week, the routes in them, and what was left out with its reason."""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Branch, Person, Site
from scheduling.models.technicians import Technician
from scheduling.models.work_orders import WorkOrder
from shared.model_parts import known_values


class ProposalState(models.TextChoices):
    """Where a proposal stands."""

    RUNNING = "running", gettext_lazy("Being worked out")
    READY = "ready", gettext_lazy("Ready to look at")
    PUBLISHED = "published", gettext_lazy("Published")
    SET_ASIDE = "set_aside", gettext_lazy("Set aside")
    FAILED = "failed", gettext_lazy("Failed")


class RouteProposal(models.Model):
    """One attempt at planning some days. Publishing makes its routes count."""

    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, null=True, blank=True)
    first_on = models.DateField()
    last_on = models.DateField()
    state = models.CharField(max_length=10, choices=ProposalState, default=ProposalState.RUNNING)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)
    progress = models.FloatField(default=0)
    progress_text = models.CharField(max_length=160, blank=True)
    wants_stop = models.BooleanField(default=False)
    seed = models.PositiveIntegerField(default=1)
    seconds = models.FloatField(default=20)
    solver = models.CharField(max_length=80, blank=True)
    travel_source = models.CharField(max_length=40, blank=True)
    inputs_hash = models.CharField(max_length=64, blank=True)
    totals = models.JSONField(default=dict, blank=True)
    problems = models.JSONField(default=list, blank=True, help_text="What was refused, with its remedy.")
    published_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            known_values("state", ProposalState, "scheduling_routeproposal_state_known"),
            models.CheckConstraint(
                condition=Q(last_on__gte=F("first_on")), name="scheduling_routeproposal_days_in_order"
            ),
        ]

    def __str__(self):
        return f"{self.first_on}–{self.last_on} #{self.pk}"


class Route(models.Model):
    """One technician's day in a proposal."""

    proposal = models.ForeignKey(RouteProposal, on_delete=models.CASCADE, related_name="routes")
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="routes")
    day = models.DateField()
    is_in_force = models.BooleanField(default=False)
    leaves_at = models.DateTimeField()
    returns_at = models.DateTimeField()
    lunch_at = models.DateTimeField(null=True, blank=True)
    drive_minutes = models.PositiveIntegerField(default=0)
    work_minutes = models.PositiveIntegerField(default=0)
    drive_metres = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["day", "technician", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["proposal", "technician", "day"], name="scheduling_route_once_per_proposal"
            ),
            models.UniqueConstraint(
                fields=["technician", "day"],
                condition=Q(is_in_force=True),
                name="scheduling_route_one_in_force_per_day",
            ),
        ]

    def __str__(self):
        return f"{self.technician} {self.day}"


class Stop(models.Model):
    """One site visit on a route."""

    route = models.ForeignKey(Route, on_delete=models.CASCADE, related_name="stops")
    place = models.PositiveSmallIntegerField(help_text="1 is the first stop.")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="stops")
    arrives_at = models.DateTimeField()
    starts_at = models.DateTimeField()
    leaves_at = models.DateTimeField()
    drive_minutes = models.PositiveSmallIntegerField(default=0)
    drive_metres = models.PositiveIntegerField(default=0)
    is_pinned = models.BooleanField(default=False)
    why = models.TextField(blank=True)

    class Meta:
        ordering = ["route", "place"]
        constraints = [
            models.UniqueConstraint(fields=["route", "place"], name="scheduling_stop_place_once"),
            models.CheckConstraint(
                condition=Q(leaves_at__gte=F("starts_at")), name="scheduling_stop_leaves_after_start"
            ),
        ]

    def __str__(self):
        return f"{self.route_id} stop {self.place}"


class StopOrder(models.Model):
    """A work order done at a stop. In force at most once per order."""

    stop = models.ForeignKey(Stop, on_delete=models.CASCADE, related_name="orders")
    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="stops")
    is_in_force = models.BooleanField(default=False)
    why = models.TextField(blank=True)

    class Meta:
        ordering = ["stop", "id"]
        constraints = [
            models.UniqueConstraint(fields=["stop", "order"], name="scheduling_stoporder_once_per_stop"),
            models.UniqueConstraint(
                fields=["order"],
                condition=Q(is_in_force=True),
                name="scheduling_stoporder_order_on_one_route",
            ),
        ]

    def __str__(self):
        return f"{self.order_id} at {self.stop_id}"


class UnplacedOrder(models.Model):
    """An order a proposal left out, and the reason that binds."""

    proposal = models.ForeignKey(RouteProposal, on_delete=models.CASCADE, related_name="unplaced")
    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=40)
    text = models.TextField()

    class Meta:
        ordering = ["proposal", "id"]
        constraints = [
            models.UniqueConstraint(fields=["proposal", "order"], name="scheduling_unplacedorder_once"),
        ]

    def __str__(self):
        return f"{self.order_id}: {self.reason}"


class TravelLeg(models.Model):
    """A travel time known from a road engine or set by hand, per rounded coordinate pair."""

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["engine", "from_place", "to_place"], name="scheduling_travelleg_once"
            ),
        ]

    engine = models.CharField(max_length=60)
    from_place = models.CharField(max_length=32)
    to_place = models.CharField(max_length=32)
    seconds = models.PositiveIntegerField(null=True, blank=True)
    metres = models.PositiveIntegerField(null=True, blank=True)

    def __str__(self):
        return f"{self.from_place} → {self.to_place}"
