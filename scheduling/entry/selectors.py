"""What stands beside what is entered: last totals and the usual step of each meter."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import OuterRef, Subquery

from fleet.models import Meter, MeterReading, TreatmentUnit
from fleet.readings.doubt import top_gal, usual_by_meter
from fleet.readings.meters import Mark, MeterBook


@dataclass(frozen=True)
class LastTotal:
    """A meter with its last total and where the next is to be expected. [meter's own measure]"""

    meter: Meter
    total: float | None
    read_at: datetime | None
    usual_a_week: float | None
    """Usual step of seven days; None before the first assessment."""
    expected: float | None
    """What it should show now."""
    top: float | None
    """What is above this is asked about."""


def last_totals(unit: TreatmentUnit, now: datetime) -> list[LastTotal]:
    """Return the meters in place of a unit, permeate first."""
    meters = Meter.objects.filter(treatment_unit=unit, removed_at=None).order_by("-water")
    return list(with_last(meters, now))


def with_last(meters: Iterable[Meter], now: datetime) -> Iterable[LastTotal]:
    """Return each meter with its last total. Three queries for some hundred meters."""
    ids = [meter.pk for meter in meters]
    newest = MeterReading.objects.filter(meter_id=OuterRef("pk"), is_latest=True).order_by("-read_at")
    found = {
        row["pk"]: row
        for row in Meter.objects.filter(pk__any_of=ids).values(
            "pk", total=Subquery(newest.values("total")[:1]), gal=Subquery(newest.values("total_gal")[:1]),
            at=Subquery(newest.values("read_at")[:1]),
        )
    }  # fmt: skip
    facts = MeterBook.read(ids)
    usual = usual_by_meter(facts.values())
    for meter in meters:
        row, fact, rate = found[meter.pk], facts[meter.pk], usual.get(meter.pk)
        expected = top = None
        if row["total"] is not None:
            before = Mark(row["at"], row["gal"], -1)
            top = top_gal(fact, before, now, rate) / fact.gal_per_count
            if rate is not None:
                days = max((now - row["at"]).total_seconds() / 86_400, 0.0)
                expected = row["total"] + rate * days / fact.gal_per_count
        step = None if rate is None else 7 * rate / fact.gal_per_count
        yield LastTotal(meter, row["total"], row["at"], step, expected, top)
