"""The route solver alone on the academic files, so that our planner can be held against it."""

from typing import Any

import pyvrp
from pyvrp import Client, Depot, Location, ProblemData, VehicleType
from pyvrp.stop import MaxRuntime

from tests.benchmarks.academic import TENTHS, RoutingFile, distances_tenths, tenths


def bare_distance(file: RoutingFile, seconds: float, seed: int) -> float | None:
    """Return what the solver alone reaches on an academic file, or None when it finds nothing feasible."""
    matrix: Any = distances_tenths(file)
    depot = file.customers[0]
    data = ProblemData(
        locations=[Location(one.x, one.y) for one in file.customers],
        clients=[
            Client(
                location=index,
                delivery=[one.demand],
                service_duration=tenths(one.service),
                tw_early=tenths(one.ready),
                tw_late=tenths(one.due),
            )
            for index, one in enumerate(file.customers)
            if index
        ],
        depots=[Depot(0)],
        vehicle_types=[
            VehicleType(
                file.vehicles, [file.capacity], tw_early=tenths(depot.ready), tw_late=tenths(depot.due)
            )
        ],
        distance_matrices=[matrix],
        duration_matrices=[matrix],
    )
    result = pyvrp.solve(data, MaxRuntime(seconds), seed=seed, collect_stats=False)
    return result.best.distance() / TENTHS if result.best.is_feasible() else None
