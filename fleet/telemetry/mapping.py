"""Which quantities a message may carry, and in which measures.

Topics with named places: ``sites/{any}/units/{serial}/water``.
Mappings as data: which one counts at a moment, and keeping a changed one as a new row.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Person, TelemetryMap
from fleet.readings.rows import GAUGES
from shared.errors import DomainError
from shared.measures import Measure
from shared.messages import message

AS_SHOWN: Final = message("as shown")
"""A total as the meter's register shows it, in the meter's own measure."""
TOTALS: Final = {
    "permeate_total": "permeate",
    "feed_total": "feed",
    "concentrate_total": "concentrate",
}
"""Register totals by the water they count."""
_VOLUMES: Final = [AS_SHOWN, Measure.GALLON, Measure.LITRE, Measure.CUBIC_METRE, Measure.CUBIC_FOOT]
_BY_ENDING: Final = {
    "_psi": [Measure.PSI, Measure.BAR, Measure.KILOPASCAL],
    "_c": [Measure.CELSIUS, Measure.FAHRENHEIT],
    "_gpm": [Measure.GAL_PER_MINUTE, Measure.LITRE_PER_MINUTE],
    "_us_cm": [Measure.MICROSIEMENS],
    "_mg_l": [Measure.MG_PER_LITRE],
}


def measures_of(quantity: str) -> list[str]:
    """Return the measures a quantity may come in. Raises KeyError for an unknown quantity."""
    if quantity in TOTALS:
        return [str(measure) for measure in _VOLUMES]
    if quantity not in GAUGES:
        raise KeyError(quantity)
    return next(
        [str(measure) for measure in measures]
        for ending, measures in _BY_ENDING.items()
        if quantity.endswith(ending)
    )


QUANTITIES: Final = [*TOTALS, *GAUGES]
"""Everything that can be mapped, in the order of the form."""


def title_of(quantity: str) -> str:
    """Return a quantity's name for people, without its measure."""
    for ending in _BY_ENDING:
        quantity = quantity.removesuffix(ending)
    return quantity.replace("_", " ").capitalize()


SERIAL: Final = "{serial}"
ANY: Final = "{any}"


def check_pattern(pattern: str) -> None:
    """Refuse a pattern no broker could serve. Raises DomainError."""
    levels = pattern.split("/")
    odd = [
        level
        for level in levels
        if level not in (SERIAL, ANY, "+") and any(sign in level for sign in "{}+#\x00")
    ]
    if not pattern.strip() or pattern.startswith("$") or odd:
        raise DomainError(
            message("{pattern!r} is no topic that can be listened to.", pattern=pattern),
            remedy=message("Write levels between slashes; a whole level may be {serial} or {any}."),
            field="topic",
        )
    if pattern.count(SERIAL) > 1:
        raise DomainError(
            message("{serial} stands in it twice."),
            remedy=message("Write {any} for the other."),
            field="topic",
        )


def filter_of(pattern: str) -> str:
    """Return the MQTT topic filter of a pattern."""
    return "/".join("+" if level in (SERIAL, ANY) else level for level in pattern.split("/"))


def match(pattern: str, topic: str) -> dict[str, str] | None:
    """Return what stands at the named places of a topic, or None when it is another topic."""
    wanted, given = pattern.split("/"), topic.split("/")
    if len(wanted) != len(given):
        return None
    found = {}
    for level, text in zip(wanted, given, strict=True):
        if level == SERIAL:
            found["serial"] = text
        elif level not in (ANY, "+") and level != text:
            return None
    return found


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
    return {filter_of(row.topic) for row in rows}


@transaction.atomic
def keep_map(name: str, values: Mapping[str, Any], *, by: Person | None, now: datetime) -> TelemetryMap:
    """Keep a mapping from now on; what counted before stays as it was.

    Raises DomainError for what can't be.
    """
    check_pattern(values["topic"])
    if not values["fields"]:
        raise DomainError(
            message("The mapping reads nothing."), remedy=message("Give the path of one quantity at least.")
        )
    for entry in values["fields"]:
        if entry["measure"] not in measures_of(entry["quantity"]):
            raise DomainError(
                message(
                    "{quantity} does not come in {measure}.",
                    quantity=entry["quantity"],
                    measure=entry["measure"],
                ),
                remedy=message("Choose one of the measures offered."),
            )
    if SERIAL not in values["topic"] and not values["serial_path"]:
        raise DomainError(
            message("Neither topic nor payload names the treatment unit."),
            remedy=message("Put {serial} into the topic, or give the path of the serial."),
            field="serial_path",
        )
    row = TelemetryMap(name=name, counts_from=now, made_at=now, made_by=by, **values)
    try:
        row.full_clean()
    except ValidationError as error:
        raise DomainError(
            " ".join(error.messages), remedy=message("Correct it and keep it again.")
        ) from error
    row.save()
    return row
