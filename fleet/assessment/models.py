"""What assessment knows: the state of each part and treatment unit, and findings that want action."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.register.models import Part, TreatmentUnit
from shared.model_parts import at_least, both_or_neither, known_values
from shared.translation import MessageField


class LimitName(models.TextChoices):
    """What ends a part's life. Same order as ``fleet.science.columns.Limit``."""

    VOLUME = "volume", gettext_lazy("Volume")
    CALENDAR = "calendar", gettext_lazy("Calendar")
    CHLORINE_DOSE = "chlorine_dose", gettext_lazy("Chlorine dose")
    HARDNESS_LOAD = "hardness_load", gettext_lazy("Hardness load")
    OXIDANT_EXPOSURE = "oxidant_exposure", gettext_lazy("Oxidant exposure")
    PRESSURE_DROP = "pressure_drop", gettext_lazy("Pressure drop")
    MEASURED_END = "measured_end", gettext_lazy("Measured end")
    PERFORMANCE = "performance", gettext_lazy("Measured performance")


class PartState(models.Model):
    """How worn a part in place is and when it is due. Derived; rebuilt by assessment."""

    part = models.OneToOneField(Part, on_delete=models.CASCADE, primary_key=True, related_name="state")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.CASCADE, related_name="part_states")
    wear = models.FloatField(null=True, blank=True)
    governing = models.CharField(max_length=18, choices=LimitName, blank=True)
    early_on = models.DateField(null=True, blank=True)
    likely_on = models.DateField(null=True, blank=True, db_index=True)
    late_on = models.DateField(null=True, blank=True)
    numbers = models.JSONField(default=dict, blank=True, help_text="Every input and figure.")
    assessed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(governing="") | Q(governing__in=LimitName.values),
                name="fleet_partstate_governing_known",
            ),
        ]

    def __str__(self):
        return f"part {self.part_id} {self.governing}"


class ReadinessState(models.TextChoices):
    """Whether a treatment unit may make water."""

    IN_SERVICE = "in_service", gettext_lazy("In service")
    FLUSH_OWED = "flush_owed", gettext_lazy("Flush owed")
    BEDDING = "bedding", gettext_lazy("Bedding")
    IDLE = "idle", gettext_lazy("Idle")
    OUT_OF_SERVICE = "out_of_service", gettext_lazy("Out of service")


class OwedFlush(models.TextChoices):
    """Why a flush is owed."""

    NONE = "", gettext_lazy("None")
    CARBON_FINES = "carbon_fines", gettext_lazy("Carbon changed, fines not flushed to clear")
    BEDDED_OVERNIGHT = "bedded_overnight", gettext_lazy("Bedded overnight, second flush due")
    MEMBRANE_STORAGE_SOLUTION = (
        "membrane_storage_solution",
        gettext_lazy("Membrane new, storage solution not purged"),
    )
    IDLE = "idle", gettext_lazy("Stood idle beyond its limit")
    SANITISED = "sanitised", gettext_lazy("Sanitised and not rinsed")
    SEEN_FINES = "seen_fines", gettext_lazy("Fines seen after a change")


class PatternName(models.TextChoices):
    """What a change in normalised performance looks like."""

    NONE = "", gettext_lazy("None")
    COLD_WATER_ONLY = "cold_water_only", gettext_lazy("Cold water only")
    FOULING = "fouling", gettext_lazy("Fouling")
    SCALING = "scaling", gettext_lazy("Scaling")
    OXIDATION = "oxidation", gettext_lazy("Oxidation")
    SEAL_LEAK = "seal_leak", gettext_lazy("Leak past a seal")
    COMPACTION = "compaction", gettext_lazy("Compaction")
    UNNAMED = "unnamed", gettext_lazy("Change without a known pattern")


class UnitState(models.Model):
    """Use, readiness and performance of a treatment unit. Derived; rebuilt by assessment."""

    treatment_unit = models.OneToOneField(
        TreatmentUnit, on_delete=models.CASCADE, primary_key=True, related_name="state"
    )
    permeate_gal_per_day = models.FloatField(null=True, blank=True)
    spread_gal_per_sqrt_day = models.FloatField(null=True, blank=True)
    recovery = models.FloatField(null=True, blank=True)
    recovery_is_measured = models.BooleanField(default=False)
    is_design_duty = models.BooleanField(default=False)
    readings_used = models.PositiveIntegerField(default=0)
    last_read_at = models.DateTimeField(null=True, blank=True)
    readiness = models.CharField(max_length=14, choices=ReadinessState, default=ReadinessState.IN_SERVICE)
    owed_flush = models.CharField(max_length=28, choices=OwedFlush, blank=True, default="")
    owed_part = models.ForeignKey(Part, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    owed_since = models.DateTimeField(null=True, blank=True)
    flush_gal = models.FloatField(null=True, blank=True)
    flush_minutes = models.FloatField(null=True, blank=True)
    flow_change = models.FloatField(null=True, blank=True)
    passage_change = models.FloatField(null=True, blank=True)
    drop_change = models.FloatField(null=True, blank=True)
    raw_flow_change = models.FloatField(null=True, blank=True)
    normalised_flow_gpm = models.FloatField(null=True, blank=True)
    salt_passage = models.FloatField(null=True, blank=True)
    crosses_limit_on = models.DateField(null=True, blank=True)
    pattern = models.CharField(max_length=18, choices=PatternName, blank=True, default="")
    is_decaying = models.BooleanField(default=False)
    next_due_on = models.DateField(null=True, blank=True, db_index=True)
    worst_wear = models.FloatField(null=True, blank=True)
    numbers = models.JSONField(default=dict, blank=True, help_text="Every input and figure.")
    assessed_at = models.DateTimeField()

    class Meta:
        constraints = [
            known_values("readiness", ReadinessState, "fleet_unitstate_readiness_known"),
            known_values("owed_flush", OwedFlush, "fleet_unitstate_owed_flush_known"),
            known_values("pattern", PatternName, "fleet_unitstate_pattern_known"),
        ]
        indexes = [models.Index(fields=["readiness"], name="fleet_unitstate_readiness")]

    def __str__(self):
        return f"treatment unit {self.treatment_unit_id} {self.readiness}"


class StaleFlag(models.Model):
    """Something an assessment reads has changed; the assessment that takes it in deletes the flag.

    Written by the database (``fleet.assessment.stale_flags``), whoever writes and however many rows at once.
    Nothing is updated, so that writers never wait for each other here.
    """

    treatment_unit_id = models.BigIntegerField()
    effective_at = models.DateTimeField(help_text="Assessments as of an earlier moment do not see it yet.")

    class Meta:
        db_table = "fleet_changemark"
        indexes = [models.Index(fields=["treatment_unit_id"], name="fleet_changemark_unit")]

    def __str__(self):
        return f"treatment unit {self.treatment_unit_id} from {self.effective_at}"


class ReadinessChange(models.Model):
    """One change of a treatment unit's readiness, kept for ever."""

    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.CASCADE, related_name="readiness_changes"
    )
    changed_at = models.DateTimeField()
    was = models.CharField(max_length=14, blank=True)
    became = models.CharField(max_length=14, choices=ReadinessState)
    because = MessageField(blank=True)

    class Meta:
        ordering = ["-changed_at", "-id"]
        constraints = [known_values("became", ReadinessState, "fleet_readinesschange_became_known")]

    def __str__(self):
        return f"{self.treatment_unit_id} {self.was} → {self.became}"


class FindingKind(models.TextChoices):
    """What assessment may ask for."""

    CHANGE_DUE = "change_due", gettext_lazy("Change due")
    REFLUSH_REQUIRED = "reflush_required", gettext_lazy("Re-flush required")
    PERFORMANCE_DECAY = "performance_decay", gettext_lazy("Performance decay")
    METER_FAULT = "meter_fault", gettext_lazy("Meter fault")
    READING_WANTED = "reading_wanted", gettext_lazy("Reading wanted")
    FEED_TEST_DUE = "feed_test_due", gettext_lazy("Feed test due")
    CONTACT_TOO_SHORT = "contact_too_short", gettext_lazy("Contact time too short")


class Finding(models.Model):
    """Something that wants action, one row per cause while it stands."""

    kind = models.CharField(max_length=18, choices=FindingKind)
    cause_key = models.CharField(max_length=120, help_text="Names the one cause, e.g. 'change_due:part:81'.")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="findings")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, blank=True, related_name="findings")
    method = models.CharField(max_length=40)
    method_version = models.PositiveSmallIntegerField(default=1)
    strength = models.FloatField(default=0, help_text="Wear, or relative change; larger is worse.")
    not_before_on = models.DateField(null=True, blank=True)
    early_on = models.DateField(null=True, blank=True)
    likely_on = models.DateField(null=True, blank=True)
    late_on = models.DateField(null=True, blank=True)
    why = MessageField()
    numbers = models.JSONField(default=dict, blank=True)
    found_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    gone_at = models.DateTimeField(null=True, blank=True)
    gone_because = MessageField(null=True, blank=True)

    class Meta:
        ordering = ["likely_on", "id"]
        constraints = [
            known_values("kind", FindingKind, "fleet_finding_kind_known"),
            both_or_neither("gone_at", "gone_because", "fleet_finding_gone_date_and_reason"),
            models.CheckConstraint(
                condition=Q(early_on__isnull=True)
                | Q(likely_on__isnull=True)
                | Q(early_on__lte=models.F("likely_on")),
                name="fleet_finding_early_to_likely",
            ),
            models.CheckConstraint(
                condition=Q(likely_on__isnull=True)
                | Q(late_on__isnull=True)
                | Q(likely_on__lte=models.F("late_on")),
                name="fleet_finding_likely_to_late",
            ),
            models.UniqueConstraint(
                fields=["cause_key"],
                condition=Q(gone_at__isnull=True),
                name="fleet_finding_one_standing_per_cause",
            ),
        ]
        indexes = [
            models.Index(fields=["treatment_unit", "gone_at"], name="fleet_finding_of_unit"),
            models.Index(fields=["changed_at"], name="fleet_finding_changed"),
            # What the overview counts, and the first few of each kind that it shows.
            models.Index(
                fields=["kind", "-strength", "id"],
                condition=Q(gone_at__isnull=True),
                name="fleet_finding_by_risk",
            ),
        ]

    def __str__(self):
        return f"{self.kind} {self.cause_key}"


class UseRules(models.Model):
    """How this fleet uses water, learned from it. Added to; the newest before a moment counts."""

    learned_at = models.DateTimeField(unique=True)
    design_spread = models.FloatField(help_text="Day-to-day deviation of use over its mean, in √days.")
    design_cv = models.FloatField(help_text="How far true use lies from the design duty, relative.")
    use_wander = models.FloatField(
        db_default=0.0027, help_text="How fast use wanders off over its mean, by √day."
    )
    units_used = models.PositiveIntegerField()
    months = models.JSONField(default=list, blank=True, help_text="12 factors of use, January first.")
    weekdays = models.JSONField(default=list, blank=True, help_text="7 factors of use, Monday first.")
    local_ahead_d = models.FloatField(default=0.0, help_text="How far the sites' clocks are ahead of UTC.")
    like_sites = models.JSONField(
        default=dict, blank=True, help_text="Use over design duty, gallons a day and count by kind of site."
    )

    class Meta:
        verbose_name_plural = "use rules"
        ordering = ["-learned_at"]
        constraints = [
            at_least("design_spread", 0.05, "fleet_userules_spread_positive"),
            at_least("design_cv", 0.05, "fleet_userules_cv_positive"),
            at_least("use_wander", 0.0005, "fleet_userules_wander_positive"),
        ]

    def __str__(self):
        return f"use rules of {self.learned_at:%Y-%m-%d}"


class AssessmentRun(models.Model):
    """One assessment of the fleet, cut into shards."""

    started_at = models.DateTimeField()
    as_of = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    night_on = models.DateField(
        null=True, blank=True, unique=True, help_text="The night the timetable began it for; one run each."
    )
    counts = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["-started_at", "-id"]

    def __str__(self):
        return f"run {self.pk} as of {self.as_of:%Y-%m-%d %H:%M}"


class ShardState(models.TextChoices):
    """Where a shard stands."""

    WAITING = "waiting", gettext_lazy("Waiting")
    CLAIMED = "claimed", gettext_lazy("Claimed")
    DONE = "done", gettext_lazy("Done")


class AssessmentShard(models.Model):
    """A range of treatment units, claimed by one worker at a time. A lost claim runs out."""

    run = models.ForeignKey(AssessmentRun, on_delete=models.CASCADE, related_name="shards")
    first_unit_id = models.BigIntegerField()
    last_unit_id = models.BigIntegerField()
    state = models.CharField(max_length=8, choices=ShardState, default=ShardState.WAITING)
    claimed_at = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    done_at = models.DateTimeField(null=True, blank=True)
    counts = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["run", "first_unit_id"]
        constraints = [
            known_values("state", ShardState, "fleet_assessmentshard_state_known"),
            models.UniqueConstraint(fields=["run", "first_unit_id"], name="fleet_assessmentshard_once"),
        ]

    def __str__(self):
        return f"run {self.run_id} units {self.first_unit_id}–{self.last_unit_id}"
