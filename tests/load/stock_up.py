"""Fills the database for the load test: a made-up fleet and company, assessed, with orders and people."""

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import django

os.environ["DJANGO_SETTINGS_MODULE"] = "shared.config.settings"
django.setup()

from django.db import connection  # noqa: E402
from django.test import Client  # noqa: E402
from django.utils import timezone  # noqa: E402

from api.tokens import make_token  # noqa: E402
from fleet.assessment.days import to_days  # noqa: E402
from fleet.assessment.runs import assess_fleet  # noqa: E402
from fleet.models import Branch, Person  # noqa: E402
from scheduling.models import WorkOrder  # noqa: E402
from scheduling.orders.raising import raise_work  # noqa: E402
from shared.periods import local_day  # noqa: E402
from shared.roles import Permission  # noqa: E402
from tests import factories as make  # noqa: E402
from tests.benchmarks.synthetic_fleet import load_synthetic_fleet, vacuum  # noqa: E402
from tests.load.company import make_company  # noqa: E402

TECHNICIANS, STOPS = 10, 8
READINGS_PER_UNIT = 8
SEED = 7


@dataclass(frozen=True)
class Doors:
    """What users of the load test come in with: cookies of sessions and a token."""

    planners: list[str]
    technicians: list[str]
    owner: str
    token: str
    meters: int


def stock_up(units: int, users: int, tell: Callable[[str], None] = print) -> Doors:
    """Fill an empty, migrated database and return the doors into it."""
    now = timezone.now()
    _told(
        tell, "filled", lambda: load_synthetic_fleet(units, READINGS_PER_UNIT, SEED, float(int(to_days(now))))
    )
    # The made-up rows bring their own keys; what is made by hand goes on after them.
    with connection.cursor() as cursor:
        for table in ("fleet_site", "fleet_treatmentunit", "fleet_watersupply", "fleet_partkind"):
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), max(id)) FROM {table}")
    branch = Branch.objects.get(code="made-up")
    today = local_day(now, branch.time_zone)
    _told(tell, "gave the fleet its company", lambda: make_company(units, today))
    vacuum()
    _told(tell, "assessed", lambda: assess_fleet(now))
    vacuum()
    _told(tell, "raised work", lambda: raise_work(now=now))
    technicians = _routes(branch, today)
    planners = [make.person("planner") for _ in range(users)]
    integrator = make.person("integrator")
    _, token = make_token(
        integrator, name="load", permissions=[Permission.RECORD_READINGS], days=366, now=now
    )
    vacuum()
    return Doors(
        [_session(one) for one in planners],
        [_session(one) for one in technicians],
        _session(make.person("owner")),
        token,
        units,
    )


def _told(tell: Callable[[str], None], what: str, run: Callable[[], object]) -> None:
    began = time.monotonic()
    run()
    tell(f"{what} in {time.monotonic() - began:.0f} s")


def _routes(branch: Branch, today: date) -> list[Person]:
    """Give some technicians a route today, made of orders that stand; return the people."""
    orders = list(
        WorkOrder.objects.open().filter(site__branch=branch).select_related("site")
        .order_by("pk")[: TECHNICIANS * STOPS]
    )  # fmt: skip
    people = []
    for number in range(TECHNICIANS):
        technician = make.technician(branch=branch)
        make.route(technician, orders[number * STOPS : (number + 1) * STOPS], today)
        people.append(technician.person)
    return people


def _session(person: Person) -> str:
    client = Client()
    client.force_login(person)
    return client.cookies["sessionid"].value
