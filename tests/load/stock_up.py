"""Fills the database for the load test: a made-up fleet, assessed, with orders, routes and people."""

import os
from dataclasses import dataclass

import django

os.environ["DJANGO_SETTINGS_MODULE"] = "shared.wiring.settings"
django.setup()

from django.db import connection  # noqa: E402
from django.test import Client  # noqa: E402
from django.utils import timezone  # noqa: E402

from api.tokens import make_token  # noqa: E402
from fleet.models import Branch, Person, Site, TreatmentUnit  # noqa: E402
from fleet.services.assessment import assess_fleet  # noqa: E402
from fleet.services.days import to_moment  # noqa: E402
from fleet.services.made_up_fleet import NOW_D, load_made_up_fleet, vacuum  # noqa: E402
from shared.periods import local_day  # noqa: E402
from shared.roles import Permission  # noqa: E402
from tests import factories as make  # noqa: E402

TECHNICIANS, STOPS = 10, 8
READINGS_PER_UNIT = 8
SEED = 7


@dataclass(frozen=True)
class Doors:
    """What users of the load test come in with: cookies of sessions and a token."""

    planners: list[str]
    technicians: list[str]
    token: str
    meters: int


def stock_up(units: int, users: int) -> Doors:
    """Fill an empty, migrated database and return the doors into it."""
    load_made_up_fleet(units, READINGS_PER_UNIT, SEED)
    # The made-up rows bring their own keys; what is made by hand goes on after them.
    with connection.cursor() as cursor:
        for table in ("fleet_site", "fleet_treatmentunit", "fleet_watersupply", "fleet_partkind"):
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), max(id)) FROM {table}")
    assess_fleet(to_moment(NOW_D))
    _spread_sites()
    now = timezone.now()
    branch = Branch.objects.get(code="made-up")
    rows = list(TreatmentUnit.objects.select_related("site").order_by("pk")[: TECHNICIANS * STOPS])
    technicians = []
    for number in range(TECHNICIANS):
        technician = make.technician(branch=branch)
        mine = rows[number * STOPS : (number + 1) * STOPS]
        make.route(technician, [make.work_order(unit) for unit in mine], local_day(now, branch.time_zone))
        technicians.append(technician.person)
    planners = [make.person("planner") for _ in range(users)]
    integrator = make.person("integrator")
    _, token = make_token(integrator, name="load", permissions=[Permission.RECORD_READINGS], days=1, now=now)
    vacuum()
    return Doors([_session(one) for one in planners], [_session(one) for one in technicians], token, units)


def _spread_sites() -> None:
    """Give sites areas, so that the list's filter has some to offer."""
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE {Site._meta.db_table} SET area = 'Area ' || id % 40")


def _session(person: Person) -> str:
    client = Client()
    client.force_login(person)
    return client.cookies["sessionid"].value
