"""Who may call what, as a table a manager can read. A test walks every address against it.

The operations ask ``shared.roles`` themselves; this page says the same in other words, so that neither can
change unseen. An address without a row fails the test.
"""

from typing import Final

from shared.roles import Role

ANY_OFFICE: Final = frozenset({Role.PLANNER, Role.OWNER, Role.INTEGRATOR})
EVERYONE: Final = frozenset(Role)
MANAGERS: Final = frozenset({Role.PLANNER, Role.OWNER})

ACCESS: Final[dict[tuple[str, str], frozenset[Role]]] = {
    ("GET", "sites"): ANY_OFFICE,
    ("GET", "sites/<int:pk>"): ANY_OFFICE,
    ("GET", "treatment-units"): ANY_OFFICE,
    ("GET", "treatment-units/<int:pk>"): ANY_OFFICE,
    ("GET", "parts"): ANY_OFFICE,
    ("GET", "parts/<int:pk>"): ANY_OFFICE,
    ("GET", "part-states"): ANY_OFFICE,
    ("GET", "findings"): ANY_OFFICE,
    ("GET", "findings/<int:pk>"): ANY_OFFICE,
    ("GET", "meters"): ANY_OFFICE,
    ("GET", "meter-readings"): ANY_OFFICE,
    ("POST", "meter-readings/bulk"): EVERYONE,
    ("GET", "performance-readings"): ANY_OFFICE,
    ("GET", "feed-tests"): ANY_OFFICE,
    ("GET", "work-orders"): EVERYONE,
    ("POST", "work-orders"): MANAGERS,
    ("GET", "work-orders/<int:pk>"): EVERYONE,
    ("PATCH", "work-orders/<int:pk>"): MANAGERS,
    ("POST", "work-orders/<int:pk>/withdraw"): MANAGERS,
    ("GET", "routes"): EVERYONE,
    ("GET", "routes/<int:pk>"): EVERYONE,
    ("GET", "close-outs"): EVERYONE,
    ("GET", "close-outs/<int:pk>"): EVERYONE,
    ("GET", "revenue-entries"): MANAGERS,
    ("GET", "revenue-entries/<int:pk>"): MANAGERS,
}
"""(method, address under /api/) → roles. A technician sees own routes, their orders and own close-outs."""
