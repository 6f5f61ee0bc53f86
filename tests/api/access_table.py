"""Who may call what, written down once more beside what the operations themselves ask for.

So neither can change unseen: every address is walked against it, and one without a row fails.
"""

from typing import Final

from api.urls import router
from shared.roles import Role

ANY_OFFICE: Final = frozenset({Role.PLANNER, Role.OWNER, Role.INTEGRATOR})
EVERYONE: Final = frozenset(Role)
OWNER: Final = frozenset({Role.OWNER})
MANAGERS: Final = frozenset({Role.PLANNER, Role.OWNER})

ACCESS: Final[dict[tuple[str, str], frozenset[Role]]] = {
    ("GET", "customers"): ANY_OFFICE,
    ("GET", "customers/<int:pk>"): ANY_OFFICE,
    ("POST", "customers"): MANAGERS,
    ("PATCH", "customers/<int:pk>"): MANAGERS,
    ("POST", "customers/<int:pk>/merge"): MANAGERS,
    ("POST", "sites"): MANAGERS,
    ("POST", "sites/<int:pk>/takeover"): MANAGERS,
    ("POST", "treatment-units"): MANAGERS,
    ("POST", "treatment-units/<int:pk>/swap"): MANAGERS,
    ("POST", "treatment-units/<int:pk>/move"): MANAGERS,
    ("POST", "treatment-units/<int:pk>/retirement"): MANAGERS,
    ("GET", "sites"): ANY_OFFICE,
    ("GET", "sites/<int:pk>"): ANY_OFFICE,
    ("PATCH", "sites/<int:pk>"): MANAGERS,
    ("POST", "sites/<int:pk>/place"): MANAGERS,
    ("POST", "sites/<int:pk>/place-confirmation"): MANAGERS,
    ("POST", "sites/<int:pk>/closures"): MANAGERS,
    ("POST", "sites/<int:pk>/closures/end"): MANAGERS,
    ("GET", "treatment-units"): ANY_OFFICE,
    ("GET", "treatment-units/<int:pk>"): ANY_OFFICE,
    ("PATCH", "treatment-units/<int:pk>"): MANAGERS,
    ("POST", "treatment-units/<int:pk>/commissioning"): MANAGERS,
    ("POST", "treatment-units/<int:pk>/positions"): MANAGERS,
    ("GET", "supplies"): ANY_OFFICE,
    ("GET", "supplies/<int:pk>"): ANY_OFFICE,
    ("POST", "supplies"): MANAGERS,
    ("PATCH", "supplies/<int:pk>"): MANAGERS,
    ("GET", "part-kinds"): ANY_OFFICE,
    ("GET", "part-kinds/<int:pk>"): ANY_OFFICE,
    ("POST", "part-kinds"): MANAGERS,
    ("PATCH", "part-kinds/<int:pk>"): MANAGERS,
    ("GET", "unit-models"): ANY_OFFICE,
    ("GET", "unit-models/<int:pk>"): ANY_OFFICE,
    ("POST", "unit-models"): MANAGERS,
    ("PATCH", "unit-models/<int:pk>"): MANAGERS,
    ("POST", "unit-models/<int:pk>/positions"): MANAGERS,
    ("GET", "parts"): ANY_OFFICE,
    ("GET", "parts/<int:pk>"): ANY_OFFICE,
    ("POST", "parts"): MANAGERS,
    ("POST", "parts/<int:pk>/removal"): MANAGERS,
    ("POST", "parts/<int:pk>/replacement"): MANAGERS,
    ("GET", "part-states"): ANY_OFFICE,
    ("GET", "findings"): ANY_OFFICE,
    ("GET", "findings/<int:pk>"): ANY_OFFICE,
    ("GET", "meters"): ANY_OFFICE,
    ("GET", "meter-readings"): ANY_OFFICE,
    ("POST", "meter-readings/bulk"): EVERYONE,
    ("GET", "performance-readings"): ANY_OFFICE,
    ("POST", "performance-readings"): EVERYONE,
    ("GET", "corrections"): ANY_OFFICE,
    ("POST", "corrections"): MANAGERS,
    ("POST", "meter-readings"): EVERYONE,
    ("POST", "revenue-entries/<int:pk>/correction"): OWNER,
    ("GET", "feed-tests"): ANY_OFFICE,
    ("POST", "feed-tests"): EVERYONE,
    ("GET", "work-orders"): EVERYONE,
    ("POST", "work-orders"): MANAGERS,
    ("GET", "work-orders/<int:pk>"): EVERYONE,
    ("PATCH", "work-orders/<int:pk>"): MANAGERS,
    ("POST", "work-orders/<int:pk>/withdraw"): MANAGERS,
    ("GET", "routes"): EVERYONE,
    ("GET", "routes/<int:pk>"): EVERYONE,
    ("GET", "close-outs"): EVERYONE,
    ("GET", "close-outs/<int:pk>"): EVERYONE,
    ("GET", "technicians"): ANY_OFFICE,
    ("GET", "technicians/<int:pk>"): ANY_OFFICE,
    ("POST", "technicians"): MANAGERS,
    ("POST", "technicians/<int:pk>/absences"): MANAGERS,
    ("POST", "technicians/<int:pk>/absences/end"): MANAGERS,
    ("POST", "technicians/<int:pk>/week"): MANAGERS,
    ("POST", "technicians/<int:pk>/leaving"): MANAGERS,
    ("GET", "plans"): MANAGERS,
    ("GET", "plans/<int:pk>"): MANAGERS,
    ("POST", "plans"): OWNER,
    ("POST", "plans/<int:pk>/end"): OWNER,
    ("POST", "plans/<int:pk>/prices"): OWNER,
    ("POST", "plans/<int:pk>/periods"): OWNER,
    ("GET", "revenue-entries"): MANAGERS,
    ("GET", "revenue-entries/<int:pk>"): MANAGERS,
}
"""(method, address under /api/) → roles. A technician sees own routes, their orders and own close-outs."""
ADDRESSES: Final = [
    (method.upper(), str(address.pattern), address.callback.cls, action)
    for address in router.urls
    for method, action in address.callback.actions.items()
    if method != "head"
]
"""(method, address, ViewSet, action) of every operation there is."""
