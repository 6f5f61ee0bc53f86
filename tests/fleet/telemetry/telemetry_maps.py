"""A mapping for tests: litres on the permeate meter, pressure in bar, temperature in °F."""

from datetime import timedelta

from fleet.telemetry.mapping import keep_map
from tests.factories import NOW

VALUES = {
    "topic": "sites/{any}/units/{serial}/water",
    "rows_path": "",
    "serial_path": "",
    "moment_path": "at",
    "moment_form": "iso",
    "is_on": True,
    "fields": [
        {"quantity": "permeate_total", "path": "litres", "measure": "L"},
        {"quantity": "feed_pressure_psi", "path": "gauges.0.bar", "measure": "bar"},
        {"quantity": "feed_temperature_c", "path": "gauges.1.f", "measure": "°F"},
    ],
}


def water_map(name="water", **given):
    """Keep the mapping, a year old."""
    return keep_map(name, VALUES | given, by=None, now=NOW - timedelta(days=365))
