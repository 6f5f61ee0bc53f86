"""Finds the treatment units and meters that messages speak of."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from fleet.models import Meter, TreatmentUnit
from fleet.services.reading_store import chunks
from fleet.telemetry.payload import Unreadable


@dataclass(frozen=True)
class KnownUnit:
    """A treatment unit with its meters by water, the latest first."""

    pk: int
    branch_id: int
    meters: dict[str, list[Meter]] = field(default_factory=dict)


def known_units(serials: Iterable[str]) -> dict[str, KnownUnit]:
    """Return treatment units by serial. Two queries per 400."""
    known: dict[str, KnownUnit] = {}
    for part in chunks(sorted(set(serials))):
        rows = TreatmentUnit.objects.filter(serial__in=part).values_list("pk", "serial", "site__branch_id")
        by_pk = {pk: known.setdefault(serial, KnownUnit(pk, branch)) for pk, serial, branch in rows}
        for meter in Meter.objects.filter(treatment_unit__in=by_pk).order_by("-installed_at", "-pk"):
            by_pk[meter.treatment_unit_id].meters.setdefault(meter.water, []).append(meter)
    return known


def meter_in_place(unit: KnownUnit, water: str, read_at: datetime) -> Meter:
    """Return the meter that counted this water at a moment. Raises Unreadable when there was none."""
    for meter in unit.meters.get(water, []):
        if meter.installed_at <= read_at and (meter.removed_at is None or read_at <= meter.removed_at):
            return meter
    raise Unreadable(f"The treatment unit had no {water} meter at this moment.", field=f"{water}_total",
                     remedy="Check the moment, or add the meter first.")  # fmt: skip
