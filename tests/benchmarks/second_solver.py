"""A second solver library on the academic files, only to compare with; absent in production."""

from __future__ import annotations

from typing import Any

from tests.benchmarks.academic import TENTHS, RoutingFile, distances_tenths, tenths

try:
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    AVAILABLE = True
except ImportError:
    AVAILABLE = False


def second_solver_distance(file: RoutingFile, seconds: float) -> float | None:
    """
    Return the distance the second solver reaches on a file, or None when absent or nothing feasible is found.

    One sensible set-up, not an expert's: parallel cheapest insertion, then guided local search.
    """
    if not AVAILABLE:
        return None
    matrix = distances_tenths(file).tolist()
    manager = pywrapcp.RoutingIndexManager(len(matrix), file.vehicles, 0)
    routing = pywrapcp.RoutingModel(manager)
    _add_dimensions(file, matrix, manager, routing)
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(round(seconds * 1000))
    found = routing.SolveWithParameters(search)
    return found.ObjectiveValue() / TENTHS if found else None


def _add_dimensions(file: RoutingFile, matrix: list[list[int]], manager: Any, routing: Any) -> None:
    """Tell the model about distance as the price, load against capacity, and time against windows."""

    def distance(origin: int, destination: int) -> int:
        return int(matrix[manager.IndexToNode(origin)][manager.IndexToNode(destination)])

    def duration(origin: int, destination: int) -> int:
        node = int(manager.IndexToNode(origin))
        return tenths(file.customers[node].service) + int(matrix[node][manager.IndexToNode(destination)])

    def demand(index: int) -> int:
        return file.customers[int(manager.IndexToNode(index))].demand

    routing.SetArcCostEvaluatorOfAllVehicles(routing.RegisterTransitCallback(distance))
    horizon = tenths(file.customers[0].due)
    routing.AddDimension(routing.RegisterTransitCallback(duration), horizon, horizon, False, "time")
    load = routing.RegisterUnaryTransitCallback(demand)
    routing.AddDimensionWithVehicleCapacity(load, 0, [file.capacity] * file.vehicles, True, "load")
    time = routing.GetDimensionOrDie("time")
    for node, customer in enumerate(file.customers):
        if node:
            window = tenths(customer.ready), tenths(customer.due)
            time.CumulVar(manager.NodeToIndex(node)).SetRange(*window)
