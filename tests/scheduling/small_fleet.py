"""A small invented fleet as sheets, for the tests of the import to spoil."""

from copy import deepcopy

_SHEETS = {
    "branches": [{"code": "north", "name": "North (invented)", "time_zone": "America/Chicago"}],
    "customers": [{"code": "K1", "name": "Amber Bakery (invented)"}],
    "supplies": [{"code": "COR", "name": "Corvane waterworks (invented)", "kind": "utility"}],
    "feed_tests": [{"supply": "COR", "sampled_at": "2026-01-15 09:30", "hardness [gpg]": 10, "ph": 7.6}],
    "sites": [
        {"code": "S1", "name": "High Street", "customer": "K1", "branch": "north", "supply": "COR"},
        {"code": "S2", "name": "Mill Road", "customer": "K1", "branch": "north", "supply": "COR"},
    ],
    "catalogue": [
        {"code": "CAR", "name": "Carbon", "role": "carbon", "rated_volume [gal]": 60000, "cost": "31.00"},
        {"code": "MEM", "name": "Membrane", "role": "membrane", "membrane_type": "polyamide"},
    ],
    "treatment_units": [
        {"serial": "TU-1", "site": "S1", "design_use [gal/day]": 200, "design_permeate [gpm]": 0.45},
        {"serial": "TU-2", "site": "S2", "design_use [gal/day]": 300, "design_permeate [gpm]": 0.45},
    ],
    "parts": [
        {
            "treatment_unit": "TU-1", "position": "carbon", "order": 1, "water": "feed", "kind": "CAR",
            "installed_at": "2025-01-10 10:00", "removed_at": "2026-01-10 10:00", "removal_reason": "worn",
        },
        {
            "treatment_unit": "TU-1", "position": "carbon", "order": 1, "water": "feed", "kind": "CAR",
            "installed_at": "2026-01-10 10:00",
        },
        {
            "treatment_unit": "TU-1", "position": "membrane", "order": 2, "water": "permeate", "kind": "MEM",
            "installed_at": "2025-01-10 10:30", "factory_rejection": 0.97,
        },
    ],
    "flushes": [
        {
            "treatment_unit": "TU-1", "position": "carbon", "kind": "carbon_fines",
            "flushed_at": "2026-01-10 11:00", "volume [gal]": 25, "minutes": 20, "ran_clear": "yes",
        }
    ],
    "meters": [
        {"treatment_unit": "TU-1", "serial": "M1", "installed_at": "2025-01-10 09:00"},
        {"treatment_unit": "TU-2", "serial": "M2", "measure": "m3", "installed_at": "2025-01-10 09:00"},
    ],
    "meter_readings": [
        {"treatment_unit": "TU-1", "read_at": "2026-01-15 10:15", "total": 48210.5},
        {"treatment_unit": "TU-1", "read_at": "2026-01-22 10:15", "total": 49600},
        {"treatment_unit": "TU-2", "read_at": "2026-01-15 11:00", "total": 212.4},
    ],
    "performance_readings": [
        {
            "treatment_unit": "TU-1", "read_at": "2026-01-15 10:30", "feed_pressure [bar]": 8,
            "feed_temperature [°F]": 50, "permeate_flow [L/min]": 1.6,
        }
    ],
    "access_hours": [{"site": "S2", "weekday": "Mon Wed", "opens_at": "08:00", "closes_at": "12:30"}],
    "technicians": [
        {
            "code": "ines", "name": "Ines Varga (invented)", "branch": "north", "start_latitude": 41.06,
            "start_longitude": -98.29, "skills": "licensed_electrician", "weekdays": "Mon Tue Wed Thu Fri",
            "shift_starts_at": "08:00", "shift_ends_at": "16:30",
        }
    ],
    "shifts": [{"technician": "ines", "weekday": "Fri", "starts_at": "08:00", "ends_at": "12:00"}],
    "absences": [{"technician": "ines", "first_on": "2026-12-21", "last_on": "2026-12-31"}],
    "plans": [
        {
            "code": "P1", "name": "Full care", "site": "S1", "treatment_unit": "TU-1",
            "starts_on": "2025-02-01", "price": "49.00", "price_from_on": "2025-02-01",
        },
        {
            "code": "P1", "name": "Full care", "site": "S1", "treatment_unit": "TU-1",
            "starts_on": "2025-02-01", "price": "52.00", "price_from_on": "2026-02-01",
        },
    ],
    "plan_terms": [
        {"plan": "P1", "from_on": "2026-03-01", "escalator_percent": "3", "included_visits_per_year": 4}
    ],
    "tax_rates": [
        {"code": "ST", "name": "Tax (invented)", "percent": "6.25", "from_on": "2026-01-01", "area": "North"}
    ],
}  # fmt: skip


def sheets() -> dict[str, list[dict]]:
    """Return a fresh copy that imports without a problem."""
    return deepcopy(_SHEETS)
