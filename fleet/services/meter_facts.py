"""What recording knows of meters: locked for one batch, remembered from batch to batch of one call."""

from collections.abc import Iterable
from typing import Final

from django.db import connection

from fleet.models import Meter, MeterMeasure
from fleet.queries.column_reader import is_postgres
from fleet.services.reading_store import arrays
from fleet.services.register_order import MeterFacts
from shared.measures import Measure, gal_per

MOST_REMEMBERED: Final = 20_000
"""Meters remembered, so that a long call's memory stays flat."""
_GAL_PER: Final = {word: gal_per(Measure(word)) for word in MeterMeasure.values}


class MeterBook:
    """Facts of meters by id, for one call; inside a transaction only."""

    def __init__(self) -> None:
        self._facts: dict[int, MeterFacts] = {}

    def lock(self, meter_ids: Iterable[int]) -> dict[int, MeterFacts]:
        """Keep others from recording on these meters until the transaction ends; return what is known.

        A meter that does not exist is not in the answer.
        """
        wanted = set(meter_ids)
        if len(self._facts) > MOST_REMEMBERED:
            self._facts.clear()
        for part in arrays(sorted(wanted)):
            _lock(part)
        for part in arrays(sorted(wanted - self._facts.keys())):
            self._facts |= _read(part)
        return self._facts


def _lock(meter_ids: list[int]) -> None:
    """Lock rows in the order of their keys, so that no two calls wait for each other. SQLite needs none."""
    if not is_postgres():
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM (SELECT 1 FROM fleet_meter WHERE id = ANY(%s::bigint[]) ORDER BY id "
            "FOR NO KEY UPDATE) AS locked",
            [f"{{{','.join(map(str, meter_ids))}}}"],
        )


def _read(meter_ids: list[int]) -> dict[int, MeterFacts]:
    rows = Meter.objects.filter(pk__any_of=meter_ids).values_list(
        "pk", "treatment_unit_id", "treatment_unit__serial", "water", "serial", "measure", "digits",
        "treatment_unit__design_permeate_gpm", "treatment_unit__design_recovery",
    )  # fmt: skip
    return {
        row[0]: MeterFacts(*row[:6], _GAL_PER[row[5]], float(10 ** row[6]), *row[7:])
        for row in rows.iterator()
    }
