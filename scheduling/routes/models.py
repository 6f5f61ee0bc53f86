"""Proposals for a week, the routes in them, and what was left out with its reason.

What people's hands did to a plan: moves that can be undone, and re-plans after a sick call.
What the planner is told: its price list as dated rows, and driving times set by hand.
How long drives and work really take, as somebody accepted it from finished visits.
"""

from datetime import time
from typing import Final

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext, gettext_lazy

from fleet.models import Branch, Person, Site
from scheduling.crew.models import Absence, Technician
from scheduling.orders.models import OrderState, WorkOrder
from shared.model_parts import at_least, both_or_neither, known_values
from shared.translation import MessageField, MessagesField

METRES_PER_MILE: Final = 1609.344
"""International mile, exact. [m]"""


class ProposalState(models.TextChoices):
    """Where a proposal stands."""

    RUNNING = "running", gettext_lazy("Being worked out")
    READY = "ready", gettext_lazy("Ready to look at")
    PUBLISHED = "published", gettext_lazy("Published")
    SET_ASIDE = "set_aside", gettext_lazy("Discarded")
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
    progress_text = MessageField(blank=True)
    wants_stop = models.BooleanField(default=False)
    seed = models.PositiveIntegerField(default=1)
    seconds = models.FloatField(default=20)
    solver = models.CharField(max_length=80, blank=True)
    travel_source = models.CharField(max_length=40, blank=True)
    inputs_hash = models.CharField(max_length=64, blank=True)
    totals = models.JSONField(default=dict, blank=True)
    problems = MessagesField(default=list, blank=True, help_text="What was refused, with its remedy.")
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

    @property
    def is_replaced(self) -> bool:
        """Whether it was published and other plans have taken over all of its routes since."""
        if self.state != ProposalState.PUBLISHED:
            return False
        known = getattr(self, "in_force_count", None)
        stands = bool(known) if known is not None else self.routes.filter(is_in_force=True).exists()
        return not stands and self.routes.exists()

    @property
    def shown_state(self) -> str:
        """Its state for marks: what is replaced no longer counts."""
        return ProposalState.SET_ASIDE if self.is_replaced else self.state

    @property
    def state_word(self) -> str:
        """Its state, as shown."""
        return gettext("Replaced") if self.is_replaced else self.get_state_display()

    @property
    def branch_name(self) -> str:
        """The branch it is for, as shown."""
        return self.branch.name if self.branch else gettext("All branches")

    @property
    def maker(self) -> str:
        """Who asked for it, as shown."""
        return str(self.made_by) if self.made_by else gettext("the timetable")


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

    FINISHED = Q(stops__orders__is_in_force=True, stops__orders__order__state=OrderState.DONE)
    """Routes with finished stops; once for each of their orders."""

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

    @property
    def zone(self) -> str:
        """Time zone of the clock on the wall."""
        return self.technician.branch.time_zone

    @property
    def start(self) -> tuple[float, float]:
        """Where it begins and ends. [°]"""
        return self.technician.start_latitude, self.technician.start_longitude

    @property
    def miles(self) -> float:
        """Statute miles driven."""
        return self.drive_metres / METRES_PER_MILE

    @property
    def kilometres(self) -> float:
        """Kilometres driven."""
        return self.drive_metres / 1000


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
    why = MessageField(blank=True)

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

    @property
    def minutes(self) -> int:
        """Minutes on site."""
        return round((self.leaves_at - self.starts_at).total_seconds() / 60)

    @property
    def wait_minutes(self) -> int:
        """Minutes at the door before work may begin."""
        return max(0, round((self.starts_at - self.arrives_at).total_seconds() / 60))

    @property
    def own_why(self) -> str:
        """Why the stop is here, where its orders do not say so themselves."""
        return "" if any(placed.why for placed in self.orders.all()) else self.why


class StopOrder(models.Model):
    """A work order done at a stop. In force at most once per order."""

    stop = models.ForeignKey(Stop, on_delete=models.CASCADE, related_name="orders")
    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="stops")
    is_in_force = models.BooleanField(default=False)
    why = MessageField(blank=True)

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

    @property
    def number(self) -> str:
        """The order's number as people read it."""
        return f"W{self.order_id:06d}"


class UnplacedOrder(models.Model):
    """An order a proposal left out, and the reason that binds."""

    proposal = models.ForeignKey(RouteProposal, on_delete=models.CASCADE, related_name="unplaced")
    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=40)
    text = MessageField()

    class Meta:
        ordering = ["proposal", "id"]
        constraints = [
            models.UniqueConstraint(fields=["proposal", "order"], name="scheduling_unplacedorder_once"),
        ]

    def __str__(self):
        return f"{self.order_id}: {self.reason}"

    @property
    def is_due(self) -> bool:
        """True when its window closes within the plan's days."""
        return self.order.window_to <= self.proposal.last_on

    @property
    def number(self) -> str:
        """The order's number as people read it."""
        return f"W{self.order_id:06d}"


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


class PlanRevision(models.Model):
    """One kept move. ``before`` holds what it replaced, so that undoing gives exactly that back."""

    proposal = models.ForeignKey(RouteProposal, on_delete=models.CASCADE, related_name="revisions")
    number = models.PositiveIntegerField(help_text="1 is the first change by hand.")
    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    what = MessageField()
    effect = MessagesField(default=dict, blank=True)
    before = models.JSONField(default=dict)
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["proposal", "-number"]
        constraints = [
            models.UniqueConstraint(
                fields=["proposal", "number"], name="scheduling_planrevision_number_once"
            ),
            models.CheckConstraint(
                condition=Q(undone_at__isnull=False) | Q(undone_by__isnull=True),
                name="scheduling_planrevision_undone_by_with_moment",
            ),
        ]

    def __str__(self):
        return f"plan {self.proposal_id} change {self.number}"


class Replan(models.Model):
    """A sick call or urgent work: the absence it wrote, the proposal it made, what was in force before."""

    proposal = models.OneToOneField(RouteProposal, on_delete=models.CASCADE, related_name="replan")
    technician = models.ForeignKey(
        Technician, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    absence = models.ForeignKey(Absence, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    first_on = models.DateField(null=True, blank=True)
    last_on = models.DateField(null=True, blank=True)
    urgent = models.JSONField(default=list, blank=True, help_text="Keys of the orders called urgent.")
    was_in_force = models.JSONField(default=list, blank=True, help_text="Keys of the stops' orders in force.")
    lost = MessagesField(default=list, blank=True, help_text="Promises that could not be kept, and why.")
    effect = MessagesField(default=dict, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            both_or_neither("first_on", "last_on", "scheduling_replan_days_together"),
            models.CheckConstraint(
                condition=Q(last_on__isnull=True) | Q(last_on__gte=F("first_on")),
                name="scheduling_replan_days_in_order",
            ),
        ]

    def __str__(self):
        return f"re-plan {self.proposal_id}"


class PlanPriceList(models.Model):
    """The planner's prices from a day on, in minutes of driving. A change is a new row."""

    from_on = models.DateField(unique=True)
    site_visit_minutes = models.FloatField(default=8)
    disturbance_minutes = models.FloatField(default=10, db_default=10)
    late_day_minutes = models.FloatField(default=240)
    waiting_week_minutes = models.FloatField(default=30, db_default=30)
    missed_minutes = models.FloatField(default=480)
    missed_per_day_minutes = models.FloatField(default=240)
    carry_over_least_minutes = models.FloatField(default=18)
    carry_over_most_minutes = models.FloatField(default=60)
    carry_over_days = models.PositiveSmallIntegerField(default=14)
    other_technician_minutes = models.FloatField(default=15)
    overtime_per_minute = models.FloatField(default=3)
    overtime_allowed_minutes = models.PositiveSmallIntegerField(default=0)
    fairness_per_minute = models.FloatField(default=0)
    lunch_earliest = models.TimeField(default=time(11, 15))
    lunch_latest = models.TimeField(default=time(13, 30))
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-from_on"]
        constraints = [
            *(
                at_least(name, 0, f"scheduling_planpricelist_{name}_not_negative"[:63])
                for name in (
                    "site_visit_minutes",
                    "disturbance_minutes",
                    "late_day_minutes",
                    "waiting_week_minutes",
                    "missed_minutes",
                    "missed_per_day_minutes",
                    "carry_over_least_minutes",
                    "other_technician_minutes",
                    "overtime_per_minute",
                    "fairness_per_minute",
                )
            ),
            models.CheckConstraint(
                condition=Q(carry_over_most_minutes__gte=F("carry_over_least_minutes")),
                name="scheduling_planpricelist_carry_over_in_order",
                violation_error_message=gettext_lazy(
                    "Carrying work over: the most may not be below the least."
                ),
            ),
            models.CheckConstraint(
                condition=Q(lunch_latest__gte=F("lunch_earliest")),
                name="scheduling_planpricelist_lunch_in_order",
                violation_error_message=gettext_lazy(
                    "Lunch can't begin at the latest before it begins at the earliest."
                ),
            ),
        ]

    def __str__(self):
        return f"prices from {self.from_on}"


class TravelCorrection(models.Model):
    """Minutes of driving between two sites as somebody knows them, both ways: a ferry, a closed bridge."""

    site_a = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    site_b = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    minutes = models.PositiveSmallIntegerField()
    because = models.CharField(max_length=160, blank=True)
    set_at = models.DateTimeField()
    set_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["site_a__name", "site_b__name"]
        constraints = [
            models.UniqueConstraint(fields=["site_a", "site_b"], name="scheduling_travelcorrection_once"),
            models.CheckConstraint(
                condition=Q(site_a__lt=F("site_b")),
                name="scheduling_travelcorrection_pair_in_order",
                violation_error_message=gettext_lazy(
                    "A pair of two different sites is kept once, the older site first."
                ),
            ),
            models.CheckConstraint(
                condition=Q(minutes__lte=1440), name="scheduling_travelcorrection_at_most_a_day"
            ),
        ]

    def __str__(self):
        return f"{self.site_a_id} – {self.site_b_id}: {self.minutes} min"


class AcceptedPace(models.Model):
    """A factor on estimated drives, or on the minutes of one kind of order. The newest of its sort counts."""

    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, related_name="+")
    what = models.CharField(max_length=24, help_text="'drive', or a kind of order.")
    factor = models.FloatField()
    visits = models.PositiveIntegerField(help_text="Finished drives or visits it rests on; 0 for back to 1.")
    error_before = models.FloatField(default=0, help_text="Median error without it, percent.")
    error_after = models.FloatField(default=0, help_text="Median error with it, percent.")
    accepted_at = models.DateTimeField()
    accepted_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-accepted_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(factor__gte=0.5, factor__lte=2.0),
                name="scheduling_acceptedpace_factor_believable",
                violation_error_message=gettext_lazy("A pace lies between half and twice what is reckoned."),
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "what", "-accepted_at"], name="scheduling_acceptedpace_newest")
        ]

    def __str__(self):
        return f"{self.what} × {self.factor:g}"
