"""Figures of an assessment packed into one record: a third of what JSON takes, and written by the column.

What assessment knows: the state of each part and treatment unit, and findings that want action.
"""

import struct
from collections.abc import Mapping
from datetime import UTC, date, datetime
from functools import cached_property
from typing import Any, Final

import numpy as np
import orjson
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.register.models import Part, TreatmentUnit
from shared.model_parts import at_least, both_or_neither, known_values
from shared.translation import MessageField

LIMITS: Final = (
    "volume", "calendar", "chlorine_dose", "hardness_load", "oxidant_exposure", "pressure_drop",
    "measured_end",
)  # fmt: skip
"""Same order as ``fleet.science.columns.Limit``."""
_EPOCH: Final = date(1970, 1, 1).toordinal()
_NO_DAY: Final = np.iinfo(np.int32).min
_NO_MOMENT: Final = np.iinfo(np.int64).min
_KINDS: Final = {"figure": "<f8", "count": "<i4", "flag": "?", "day": "<i4", "moment": "<i8"}
_CODES: Final = {"figure": "d", "count": "i", "flag": "?", "day": "i", "moment": "q"}
_LIMIT: Final = np.dtype([("wear", "<f8"), ("wear_per_day", "<f8"), ("due_on", "<i4")])

_ONE: Final = struct.Struct("<d")


class Layout:
    """What a record holds, in order. Never changed once released: what differs gets a number of its own.

    A record begins with its layout's number; after it may come a note as JSON.
    """

    def __init__(self, number: int, **kinds: str):
        """``kinds`` says of each name: figure, count, flag, day, moment, or limits."""
        self.number = number
        self.kinds = kinds
        fields: list[tuple] = [("layout", "u1")]
        code = "<B"
        for name, kind in kinds.items():
            if kind == "limits":
                fields += [("applies", "u1"), (name, _LIMIT, (len(LIMITS),))]
                code += "B" + "ddi" * len(LIMITS)
            else:
                fields.append((name, _KINDS[kind]))
                code += _CODES[kind]
        self.dtype = np.dtype(fields)
        self._struct = struct.Struct(code)

    @cached_property
    def size(self) -> int:
        """Length of a record without its note. [bytes]"""
        return self.dtype.itemsize

    def pack(self, columns: Mapping[str, Any], count: int) -> np.ndarray:
        """Return the records of so many rows.

        Parameters
        ----------
        columns : mapping of name to array
            Figures as floats, NaN where unknown; days as datetime64[D] and moments as datetime64[s], NaT
            where unknown. ``limits`` are (applies, wear, wear_per_day, due_on), each rows × limits.
        count : int
        """
        records = np.zeros(count, dtype=self.dtype)
        records["layout"] = self.number
        for name, kind in self.kinds.items():
            if kind == "limits":
                applies, *rest = columns[name]
                records["applies"] = applies @ (1 << np.arange(len(LIMITS)))
                for part, values in zip(_LIMIT.names or (), rest, strict=True):
                    is_day = values.dtype.kind == "M"
                    records[name][part] = _numbers(values, "day", _NO_DAY) if is_day else values
            elif kind in ("day", "moment"):
                records[name] = _numbers(columns[name], kind, _NO_DAY if kind == "day" else _NO_MOMENT)
            else:
                records[name] = columns[name]
        return records

    def days(self, records: np.ndarray, name: str) -> np.ndarray:
        """Return the days of that name out of records, as they were packed."""
        days = records[name].astype(np.int64).astype("datetime64[D]")
        return np.where(records[name] == _NO_DAY, np.datetime64("NaT"), days)

    def unpack(self, data: bytes) -> dict[str, Any]:
        """Return one record as the dict that its JSON was: days and moments as text, None where unknown."""
        cells = iter(self._struct.unpack_from(data))
        next(cells)
        found = {name: _READ[kind](cells) for name, kind in self.kinds.items()}
        return found | orjson.loads(data[self.size :]) if len(data) > self.size else found

    def one(self, data: bytes | memoryview, *path: str) -> float | None:
        """Return one figure of a record: by its name, or by “limits”, which limit and what of it."""
        offset = self.dtype.fields[path[0]][1]
        if len(path) > 1:
            row = LIMITS.index(path[1])
            if not data[self.dtype.fields["applies"][1]] >> row & 1:
                return None
            offset += row * _LIMIT.itemsize + _LIMIT.fields[path[2]][1]
        (value,) = _ONE.unpack_from(data, offset)
        return None if value != value else value


def _numbers(values: np.ndarray, kind: str, none: int) -> np.ndarray:
    unit = "datetime64[D]" if kind == "day" else "datetime64[s]"
    return np.where(np.isnat(values), none, values.astype(unit).astype(np.int64))


def _figure(cells: Any) -> float | None:
    value = next(cells)
    return None if value != value else value


def _day(cells: Any) -> str | None:
    value = next(cells)
    return None if value == _NO_DAY else date.fromordinal(_EPOCH + value).isoformat()


def _moment(cells: Any) -> str | None:
    value = next(cells)
    return None if value == _NO_MOMENT else datetime.fromtimestamp(value, UTC).isoformat()


def _limits(cells: Any) -> dict[str, dict[str, Any]]:
    applies = next(cells)
    limits = {
        name: {"wear": _figure(cells), "wear_per_day": _figure(cells), "due_on": _day(cells)}
        for name in LIMITS
    }
    return {name: limit for i, (name, limit) in enumerate(limits.items()) if applies >> i & 1}


_READ: Final = {
    "figure": _figure, "count": next, "flag": next, "day": _day, "moment": _moment, "limits": _limits,
}  # fmt: skip

OF_PART: Final = Layout(
    1,
    seen_gal="figure", mean_chlorine_mg_l="figure", mean_hardness_mg_l="figure", chlorine_leak_mg_l="figure",
    ebct_min="figure", membrane_life_lost_per_week="figure", limits="limits", installed_on="day",
    not_before_on="day", not_after_on="day", last_read_on="day", feed_tested_on="day", rated_gal="figure",
    rated_months="figure", rating_chlorine_mg_l="figure", rated_hardness_mg_l="figure",
    hardness_capacity_grains="figure", oxidant_tolerance_mg_h_l="figure", design_permeate_gpm="figure",
    permeate_gal_per_day="figure", feed_gal_per_day="figure", recovery="figure", recovery_is_measured="flag",
    is_design_duty="flag", readings_used="count",
)  # fmt: skip
"""Behind a ``PartState``; the note is what of it was learned from the fleet."""
OF_UNIT: Final = Layout(
    2,
    normalised_flow_gpm="figure", baseline_flow_gpm="figure", flow_change="figure", salt_passage="figure",
    baseline_salt_passage="figure", passage_change="figure", drop_change="figure", raw_flow_change="figure",
    flow_slope_per_day="figure", readings_used="count", baseline_from="moment", baseline_to="moment",
    last_ran_at="moment",
)  # fmt: skip
"""Behind a ``UnitState``."""
_LAYOUTS: Final = {layout.number: layout for layout in (OF_PART, OF_UNIT)}


def numbers_of(written: dict[str, Any], packed: bytes | memoryview | None) -> dict[str, Any]:
    """Return the figures of a state: JSON where somebody wrote them so, else as assessment packed them."""
    if written or not packed:
        return written
    data = bytes(packed)
    return _LAYOUTS[data[0]].unpack(data)


def figure_of(written: dict[str, Any], packed: bytes | memoryview | None, *path: str) -> float | None:
    """Return one figure of a state without the others, None where unknown; ``path`` as in ``Layout.one``."""
    if not written and packed:
        return _LAYOUTS[packed[0]].one(packed, *path)
    found: Any = written
    for name in path:
        found = (found or {}).get(name)
    return found


class Figures(models.Model):
    """The figures behind a state: packed by assessment, or as JSON by a release before that and by hand."""

    written_numbers = models.JSONField(default=dict, blank=True, db_column="numbers", editable=False)
    packed = models.BinaryField(null=True, help_text="Every input and figure; see packed_figures.")

    class Meta:
        abstract = True

    @property
    def numbers(self) -> dict:
        """Return every input and figure of the state by name."""
        return numbers_of(self.written_numbers, self.packed)

    @numbers.setter
    def numbers(self, numbers: dict) -> None:
        self.written_numbers, self.packed = numbers, None


class LimitName(models.TextChoices):
    """What ends a part's life. Same order as ``fleet.science.columns.Limit``."""

    VOLUME = "volume", gettext_lazy("Volume")
    CALENDAR = "calendar", gettext_lazy("Calendar")
    CHLORINE_DOSE = "chlorine_dose", gettext_lazy("Chlorine dose")
    HARDNESS_LOAD = "hardness_load", gettext_lazy("Hardness load")
    OXIDANT_EXPOSURE = "oxidant_exposure", gettext_lazy("Oxidant exposure")
    PRESSURE_DROP = "pressure_drop", gettext_lazy("Pressure drop")
    MEASURED_END = "measured_end", gettext_lazy("Measured end")


class PartState(Figures):
    """How worn a part in place is and when it is due. Derived; rebuilt by assessment."""

    part = models.OneToOneField(Part, on_delete=models.CASCADE, primary_key=True, related_name="state")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.CASCADE, related_name="part_states")
    wear = models.FloatField(null=True, blank=True)
    governing = models.CharField(max_length=18, choices=LimitName, blank=True)
    early_on = models.DateField(null=True, blank=True)
    likely_on = models.DateField(null=True, blank=True, db_index=True)
    late_on = models.DateField(null=True, blank=True)
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


class UnitState(Figures):
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
    assessed_at = models.DateTimeField()
    look_again_on = models.DateField(
        null=True, blank=True, help_text="When a night assesses it again although nothing new came in."
    )

    class Meta:
        constraints = [
            known_values("readiness", ReadinessState, "fleet_unitstate_readiness_known"),
            known_values("owed_flush", OwedFlush, "fleet_unitstate_owed_flush_known"),
            known_values("pattern", PatternName, "fleet_unitstate_pattern_known"),
        ]
        indexes = [models.Index(fields=["readiness"], name="fleet_unitstate_readiness")]

    def __str__(self):
        return f"treatment unit {self.treatment_unit_id} {self.readiness}"


class ChangeMark(models.Model):
    """Something an assessment reads has changed; the assessment that takes it in deletes the mark.

    Written by the database (``fleet.services.change_marks``), whoever writes and however many rows at once.
    Nothing is updated, so that writers never wait for each other here.
    """

    treatment_unit_id = models.BigIntegerField()
    effective_at = models.DateTimeField(help_text="Assessments as of an earlier moment do not see it yet.")

    class Meta:
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
        ]

    def __str__(self):
        return f"use rules of {self.learned_at:%Y-%m-%d}"


class AssessmentRun(models.Model):
    """One assessment of the fleet, cut into shards."""

    started_at = models.DateTimeField()
    as_of = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    is_full = models.BooleanField(default=False)
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
