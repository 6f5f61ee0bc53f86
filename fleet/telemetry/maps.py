"""Mappings as data: which one counts at a moment, and keeping a changed one as a new row."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Person, TelemetryMap
from fleet.telemetry import topics
from fleet.telemetry.quantities import measures_of
from shared.errors import CannotDo


def newest_maps(now: datetime) -> list[TelemetryMap]:
    """Return each mapping as it counts at a moment, also those switched off."""
    newest: dict[str, TelemetryMap] = {}
    for row in TelemetryMap.objects.filter(counts_from__lte=now).order_by("name", "counts_from"):
        newest[row.name] = row
    return list(newest.values())


def standing_maps(now: datetime) -> list[TelemetryMap]:
    """Return the mappings in use."""
    return [row for row in newest_maps(now) if row.is_on]


def filters(rows: Iterable[TelemetryMap]) -> set[str]:
    """Return the topic filters to listen to."""
    return {topics.filter_of(row.topic) for row in rows}


@transaction.atomic
def keep_map(name: str, values: Mapping[str, Any], *, by: Person | None, now: datetime) -> TelemetryMap:
    """Keep a mapping from now on; what counted before stays as it was. Raises CannotDo for what can't be."""
    topics.check_pattern(values["topic"])
    if not values["fields"]:
        raise CannotDo("The mapping reads nothing.", remedy="Give the path of one quantity at least.")
    for entry in values["fields"]:
        if entry["measure"] not in measures_of(entry["quantity"]):
            raise CannotDo(f"{entry['quantity']} does not come in {entry['measure']}.",
                           remedy="Choose one of the measures offered.")  # fmt: skip
    if topics.SERIAL not in values["topic"] and not values["serial_path"]:
        raise CannotDo(
            "Neither topic nor payload names the treatment unit.",
            remedy="Put {serial} into the topic, or give the path of the serial.",
            field="serial_path",
        )
    row = TelemetryMap(name=name, counts_from=now, made_at=now, made_by=by, **values)
    try:
        row.full_clean()
    except ValidationError as error:
        raise CannotDo(" ".join(error.messages), remedy="Correct it and keep it again.") from error
    row.save()
    return row
