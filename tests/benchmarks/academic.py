"""Academic routing files with time windows, read as a problem of ours: our planner's own path, measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from scheduling.planning.problem import AccessHours, Job, PlanSettings, Problem, Shift, Technician
from scheduling.planning.travel import IntMatrix, Place, TravelTable

TENTHS = 10
"""Every length and time of the file counts ten in our whole seconds: the DIMACS 2021 convention."""
EXERCISE_DAY = date(2027, 1, 4)


@dataclass(frozen=True)
class Customer:
    """One row of the file, in the file's own lengths and times; row 0 is the depot."""

    number: int
    x: float
    y: float
    demand: int
    ready: float
    due: float
    service: float


@dataclass(frozen=True)
class RoutingFile:
    """A file in the Solomon text form."""

    name: str
    vehicles: int
    capacity: int
    customers: tuple[Customer, ...]


def read_vrptw(path: Path) -> RoutingFile:
    """
    Return a file in the form of Solomon (1987) and Gehring and Homberger (1999).

    Raises ValueError naming the line when a row can't be read.
    """
    lines = path.read_text().splitlines()
    name = next((line.strip() for line in lines if line.strip()), "")
    fleet: tuple[int, int] | None = None
    customers = []
    for number, line in enumerate(lines, 1):
        words = line.split()
        if not words or not _is_number(words[0]):
            continue
        try:
            if len(words) == 2 and fleet is None:
                fleet = (int(words[0]), int(words[1]))
            elif len(words) == 7:
                values = [float(word) for word in words]
                customers.append(_customer(values))
            else:
                raise ValueError(f"{len(words)} columns")
        except ValueError as error:
            raise ValueError(
                f"{path.name} line {number}: {line.strip()!r} can't be read ({error})"
            ) from error
    if fleet is None or len(customers) < 2:
        raise ValueError(f"{path.name}: no vehicles or no customers; expected the Solomon text form")
    return RoutingFile(name, fleet[0], fleet[1], tuple(customers))


def _customer(values: list[float]) -> Customer:
    number, x, y, demand, ready, due, service = values
    return Customer(int(number), x, y, int(demand), ready, due, service)


def _is_number(word: str) -> bool:
    return word.replace(".", "", 1).replace("-", "", 1).isdigit()


def tenths(value: float) -> int:
    """Cut a distance to one decimal, as tenths."""
    return math.floor(value * TENTHS)


def distances_tenths(file: RoutingFile) -> IntMatrix:
    """Return Euclidean distances cut to one decimal, times ten: floor(10 d)."""
    points = np.array([(one.x, one.y) for one in file.customers])
    lengths = np.sqrt(((points[:, None, :] - points[None, :, :]) ** 2).sum(axis=2))
    cut: IntMatrix = np.floor(lengths * TENTHS + 1e-9).astype(np.int64)
    return cut


def as_problem(file: RoutingFile) -> Problem:
    """
    Return the file as one day of ours: each vehicle a technician, each customer an order at its own site.

    A tenth of the file's time is one second of ours. The file bounds the start of service, ours the whole of
    the work, so the closing time is due time plus service. Only driving has a price, every order is required.
    """
    matrix = distances_tenths(file)
    places = [Place(f"c{one.number}", None, None) for one in file.customers]
    depot, depot_row = places[0], file.customers[0]
    technicians = tuple(
        Technician(f"v{number}", f"vehicle {number}", depot, depot, van_space=file.capacity)
        for number in range(file.vehicles)
    )
    shifts = tuple(
        Shift(technician.id, EXERCISE_DAY, tenths(depot_row.ready), tenths(depot_row.due), lunch_s=0)
        for technician in technicians
    )
    jobs = tuple(
        Job(
            id=f"o{one.number}",
            place=place,
            service_s=tenths(one.service),
            first_day=EXERCISE_DAY,
            last_day=EXERCISE_DAY,
            access=AccessHours(otherwise=((tenths(one.ready), tenths(one.due) + tenths(one.service)),)),
            van_space=one.demand,
        )
        for one, place in zip(file.customers[1:], places[1:], strict=True)
    )
    table = TravelTable(tuple(place.id for place in places), matrix, matrix)
    settings = PlanSettings(
        site_visit=0, missed=100_000, all_orders_required=True, lunch_earliest_s=0, lunch_latest_s=0
    )
    return Problem((EXERCISE_DAY,), technicians, shifts, jobs, table, settings)
