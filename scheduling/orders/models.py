"""Work orders: something to do at a treatment unit, because of a finding or a plan, inside a window."""

from datetime import time

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Finding, Part, PartKind, Person, Site, TreatmentUnit
from scheduling.contracts.models import ServicePlan
from scheduling.crew.models import Skill, Technician
from scheduling.orders.kinds import OUTSIDE_PLANS as OUTSIDE_PLANS
from scheduling.orders.kinds import WORK_KINDS, OrderKind, WorkKind
from shared.messages import Message, message
from shared.model_parts import History, known_values
from shared.translation import MessageField, MessagesField, label_of


class OrderState(models.TextChoices):
    """Where an order stands."""

    OPEN = "open", gettext_lazy("Open")
    ON_ROUTE = "on_route", gettext_lazy("On a route")
    DONE = "done", gettext_lazy("Done")
    WITHDRAWN = "withdrawn", gettext_lazy("Withdrawn")


STANDING_STATES = [OrderState.OPEN, OrderState.ON_ROUTE]
"""States in which something is still to be done."""


class WorkOrderQuerySet(models.QuerySet):
    """Words about orders."""

    def open(self):
        """Keep what is still to be done."""
        return self.filter(state__in=STANDING_STATES)

    def late(self, today):
        """Keep what is still to be done and past its limit, as ``shared.periods.days_late`` means it."""
        return self.open().filter(window_to__lt=today)


class WorkOrder(models.Model):
    """One thing to do, once."""

    kind = models.CharField(max_length=18, choices=OrderKind)
    state = models.CharField(max_length=10, choices=OrderState, default=OrderState.OPEN)
    cause_key = models.CharField(max_length=120, help_text="Names the one cause; one standing order each.")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="work_orders")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="work_orders")
    part = models.ForeignKey(
        Part, on_delete=models.PROTECT, null=True, blank=True, related_name="work_orders"
    )
    finding = models.ForeignKey(
        Finding, on_delete=models.PROTECT, null=True, blank=True, related_name="work_orders"
    )
    plan = models.ForeignKey(
        ServicePlan, on_delete=models.PROTECT, null=True, blank=True, related_name="work_orders"
    )
    follows = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="followed_by"
    )
    why = MessageField()
    numbers = models.JSONField(default=dict, blank=True)
    strength = models.FloatField(default=0)
    window_from = models.DateField()
    best_by_on = models.DateField(
        null=True, blank=True, help_text="From here on waiting costs more than it saves."
    )
    window_to = models.DateField(help_text="The limit: late is past it.")
    likely_on = models.DateField(null=True, blank=True)
    minutes = models.PositiveSmallIntegerField(help_text="On site, flush included.")
    flush_minutes = models.PositiveSmallIntegerField(default=0)
    skills = models.ManyToManyField(Skill, blank=True)
    preferred_technician = models.ForeignKey(
        Technician, on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )
    promised_on = models.DateField(null=True, blank=True, help_text="Promised to the customer.")
    promised_from = models.TimeField(null=True, blank=True, help_text="Work begins then at the earliest.")
    promised_until = models.TimeField(null=True, blank=True, help_text="And here at the latest.")
    raised_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    withdrawn_because = MessageField(blank=True)

    objects = WorkOrderQuerySet.as_manager()

    class Meta:
        ordering = ["window_to", "id"]
        constraints = [
            known_values("kind", OrderKind, "scheduling_workorder_kind_known"),
            known_values("state", OrderState, "scheduling_workorder_state_known"),
            models.UniqueConstraint(
                fields=["cause_key"],
                condition=Q(state__in=["open", "on_route"]),
                name="scheduling_workorder_one_standing_per_cause",
                violation_error_message=gettext_lazy("There is already an open order for this cause."),
            ),
            models.CheckConstraint(
                condition=Q(window_to__gte=F("window_from")),
                name="scheduling_workorder_window_in_order",
                violation_error_message=gettext_lazy("A window ends on or after the day it begins."),
            ),
            models.CheckConstraint(
                condition=Q(best_by_on__isnull=True)
                | Q(best_by_on__gte=F("window_from"), best_by_on__lte=F("window_to")),
                name="scheduling_workorder_best_by_in_window",
                violation_error_message=gettext_lazy("Best by lies inside the window."),
            ),
            models.CheckConstraint(
                condition=Q(promised_from__isnull=True, promised_until__isnull=True)
                | Q(
                    promised_on__isnull=False,
                    promised_from__isnull=False,
                    promised_until__isnull=False,
                    promised_from__lt=F("promised_until"),
                ),
                name="scheduling_workorder_promised_hours_in_order",
                violation_error_message=gettext_lazy("Promised hours have a day, and end after they begin."),
            ),
            models.CheckConstraint(
                condition=Q(state__in=["open", "on_route"], ended_at__isnull=True)
                | Q(state__in=["done", "withdrawn"], ended_at__isnull=False),
                name="scheduling_workorder_ended_when_over",
            ),
            models.CheckConstraint(
                condition=~Q(state="withdrawn") | ~Q(withdrawn_because=""),
                name="scheduling_workorder_withdrawn_with_reason",
                violation_error_message=gettext_lazy("Say why the order is withdrawn."),
            ),
        ]
        indexes = [
            models.Index(fields=["state", "window_to"], name="scheduling_workorder_due"),
            models.Index(fields=["treatment_unit", "state"], name="scheduling_workorder_of_unit"),
            models.Index(fields=["cause_key", "state"], name="scheduling_workorder_cause"),
            # What lists show first: standing orders by their last day, and the first few of each kind.
            models.Index(
                fields=["window_to", "id"],
                condition=Q(state__in=["open", "on_route"]),
                name="scheduling_workorder_by_window",
            ),
            models.Index(
                fields=["kind", "state", "window_to", "-strength", "id"],
                condition=Q(state__in=["open", "on_route"]),
                name="scheduling_workorder_by_risk",
            ),
        ]

    def __str__(self):
        return f"W{self.pk:06d} {self.get_kind_display()}" if self.pk else self.kind

    @property
    def work_kind(self) -> WorkKind:
        """What its kind of work is and asks."""
        return WORK_KINDS[self.kind]

    @property
    def promised_hours(self) -> tuple[time, time] | None:
        """First and last moment to begin work on the promised day, by the site's clock."""
        return (self.promised_from, self.promised_until) if self.promised_from else None

    @property
    def as_message(self) -> Message:
        """Number and kind, as a figure of a message."""
        return message("W{number:06d} {kind}", number=self.pk or 0, kind=label_of(OrderKind, self.kind))


class WorkOrderPart(models.Model):
    """Parts an order will need."""

    order = models.ForeignKey(WorkOrder, on_delete=models.CASCADE, related_name="needed_parts")
    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT)
    quantity = models.PositiveSmallIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["order", "kind"], name="scheduling_workorderpart_once"),
        ]

    def __str__(self):
        return f"{self.quantity} × {self.kind}"


class WorkOrderEvent(models.Model):
    """What happened to an order, in the order it happened. Added to, never edited."""

    history = History(changeable=("detail",))

    order = models.ForeignKey(WorkOrder, on_delete=models.CASCADE, related_name="events")
    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)
    what = models.CharField(max_length=40)
    detail = MessageField(blank=True)

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["at", "id"], name="scheduling_orderevent_at")]

    def __str__(self):
        return f"{self.order_id} {self.what}"


class StepSheet(models.Model):
    """The steps of one kind of work, as one version. A new version is a new row."""

    kind = models.CharField(max_length=18, choices=OrderKind)
    version = models.PositiveSmallIntegerField()
    is_current = models.BooleanField(default=False)
    cautions = MessagesField(default=list)
    steps = MessagesField(
        default=list, help_text="[{code, text, is_hazard_control, asks}] in the order they are done."
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        ordering = ["kind", "-version"]
        constraints = [
            known_values("kind", OrderKind, "scheduling_stepsheet_kind_known"),
            models.UniqueConstraint(fields=["kind", "version"], name="scheduling_stepsheet_version_once"),
            models.UniqueConstraint(
                fields=["kind"], condition=Q(is_current=True), name="scheduling_stepsheet_one_current"
            ),
        ]

    def __str__(self):
        return f"{self.kind} v{self.version}"
