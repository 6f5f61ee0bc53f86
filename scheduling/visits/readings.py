"""What can be read at a visit: the meter and the gauges, with last values and where the next are expected."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Final

from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext_lazy

from fleet.models import Meter, MeterReading, PerformanceReading, TreatmentUnit, UnitState
from fleet.readings.doubt import share_of_permeate, usual_rise_gal
from fleet.readings.meter_in_place import meters_to_read
from fleet.science.on_site import on_site

GAUGES: Final[dict[str, str]] = {
    "feed_pressure_psi": gettext_lazy("Feed pressure"),
    "concentrate_pressure_psi": gettext_lazy("Concentrate pressure"),
    "permeate_pressure_psi": gettext_lazy("Permeate pressure"),
    "permeate_flow_gpm": gettext_lazy("Permeate flow"),
    "concentrate_flow_gpm": gettext_lazy("Concentrate flow"),
    "feed_temperature_c": gettext_lazy("Feed temperature"),
    "feed_conductivity_us_cm": gettext_lazy("Feed conductivity"),
    "permeate_conductivity_us_cm": gettext_lazy("Permeate conductivity"),
    "sediment_inlet_psi": gettext_lazy("Before sediment"),
    "sediment_outlet_psi": gettext_lazy("After sediment"),
    "chlorine_after_carbon_mg_l": gettext_lazy("Chlorine after carbon"),
}
"""What may be read at a visit, in the order one walks along the water."""
READINGS_LOOKED_AT: Final = 12
SPREADS: Final = 4.0
"""How many robust spreads around the middle still count as plausible. Our choice."""
SPREAD_OF_MAD: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
LEAST_SPREAD: Final = 0.05
"""A gauge that always showed the same still has this share of leeway."""


@dataclass(frozen=True)
class MeterRow:
    """A meter to read, with its last total and where the next is to be expected."""

    pk: int
    water: str
    water_word: str
    serial: str
    measure: str
    last_total: float | None
    last_read_at: datetime | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class GaugeRow:
    """A gauge with its last value and plausible range, in working measures."""

    name: str
    label: str
    last: float | None
    low: float | None
    high: float | None


def plausible(values: list[float]) -> tuple[float, float] | None:
    """Return where a gauge's next value is expected: the middle ± four robust spreads, not below zero."""
    if len(values) < 3:
        return None
    middle = median(values)
    spread = SPREAD_OF_MAD * median(abs(value - middle) for value in values)
    reach = SPREADS * max(spread, LEAST_SPREAD * abs(middle), 0.01)
    return max(0.0, middle - reach), middle + reach


def meter_to_read(treatment_unit: TreatmentUnit, state: UnitState | None, now: datetime) -> MeterRow | None:
    """Return the meter that is read at a visit: the permeate meter, else the first there is."""
    newest = MeterReading.objects.filter(meter_id=OuterRef("pk"), is_latest=True).order_by("-read_at")
    meter = (
        meters_to_read(treatment_unit.pk, now)
        .annotate(
            last_total=Subquery(newest.values("total")[:1]),
            last_gal=Subquery(newest.values("total_gal")[:1]),
            last_at=Subquery(newest.values("read_at")[:1]),
        )
        .first()
    )
    return _meter_row(meter, treatment_unit, state, now) if meter else None


def _meter_row(
    meter: Meter, treatment_unit: TreatmentUnit, state: UnitState | None, now: datetime
) -> MeterRow:
    low = high = None
    if meter.last_total is not None and state and state.permeate_gal_per_day is not None:
        days = max((now - meter.last_at).total_seconds() / 86_400, 0.0)
        recovery = state.recovery or treatment_unit.design_recovery
        share = share_of_permeate(meter.water, recovery)
        rise_gal = usual_rise_gal(state.permeate_gal_per_day * share, share, days)
        per_gal = meter.last_total / meter.last_gal if meter.last_gal else 1.0
        low = meter.last_total
        high = meter.last_total + rise_gal * per_gal
    return MeterRow(
        pk=meter.pk,
        water=meter.water,
        water_word=meter.get_water_display(),
        serial=meter.serial,
        measure=meter.measure,
        last_total=meter.last_total,
        last_read_at=meter.last_at,
        low=low,
        high=high,
    )


def recent_readings(unit_id: int) -> list[dict]:
    """Return the newest gauges of a treatment unit, newest first."""
    return list(
        PerformanceReading.objects.filter(treatment_unit_id=unit_id, is_latest=True)
        .order_by("-read_at")
        .values(*GAUGES)[:READINGS_LOOKED_AT]
    )


def gauges(readings: Sequence[dict]) -> list[GaugeRow]:
    """Return each gauge with its last value and where the next is expected."""
    rows = []
    for name, label in GAUGES.items():
        values = [reading[name] for reading in readings if reading[name] is not None]
        low, high = plausible(values) or (None, None)
        rows.append(GaugeRow(name, label, values[0] if values else None, low, high))
    return rows


def usual_on_site(readings: Sequence[dict], design_recovery: float) -> dict[str, tuple[float, float] | None]:
    """Return where drop, recovery and rejection are usual here, by the names of ``OnSite``.

    Rejection is judged by the passage it leaves, whose spread is what is seen. A unit never read has the
    recovery it was set to, as ever with leeway.
    """
    seen = [on_site(reading) for reading in readings]
    drop, recovery, passage = (
        plausible([value for value in values if value is not None])
        for values in (
            [one.delta_p_psi for one in seen],
            [one.recovery for one in seen],
            [None if one.rejection is None else 1 - one.rejection for one in seen],
        )
    )
    return {
        "delta_p_psi": drop,
        "recovery": recovery or plausible([design_recovery] * 3),
        "rejection": (1 - passage[1], 1.0) if passage else None,
    }
