"""The company around the made-up fleet: depots, customers, places, plans and a year of entries. Invented."""

from datetime import date

from django.db import connection

from fleet.models import Branch
from shared.periods import add_months, month_start

DEPOTS, AREAS, SITES_PER_CUSTOMER, MONTHS = 10, 40, 4, 12


def make_company(units: int, today: date) -> None:
    """Spread the fleet over depots, areas and customers; give each site a plan and a year of entries."""
    first = add_months(month_start(today), 1 - MONTHS)
    Branch.objects.bulk_create(
        Branch(code=f"depot {i}", name=f"Depot {i}", latitude=41, longitude=-93) for i in range(2, DEPOTS + 1)
    )
    depots = list(Branch.objects.order_by("pk").values_list("pk", flat=True))
    with connection.cursor() as cursor:
        for statement, values in _statements(units, depots, first):
            cursor.execute(statement, values)


def _statements(units: int, depots: list[int], first: date) -> list[tuple[str, dict]]:
    """SQL that the database carries out faster than rows sent to it one by one."""
    given = {"first": first, "months": MONTHS, "depots": depots, "a_depot": -(-units // DEPOTS),
             "customers": SITES_PER_CUSTOMER, "areas": AREAS}  # fmt: skip
    return [
        (
            "INSERT INTO fleet_customer (code, name, email, phone, wants_notices) SELECT 'made-up ' || i, "
            "'Made-up customer ' || i, '', '', false "
            "FROM generate_series(0, (SELECT max(id) FROM fleet_site) / %(customers)s) i",
            given,
        ),
        (
            "UPDATE fleet_site SET area = 'Area ' || id %% %(areas)s, latitude = 40 + (id %% 997) / 500.0, "
            "longitude = -94 + (id %% 1009) / 500.0, branch_id = (%(depots)s::bigint[])[1 + (id - 1) / "
            "%(a_depot)s], customer_id = (SELECT c.id FROM fleet_customer c WHERE c.code = 'made-up ' || "
            "fleet_site.id / %(customers)s)",
            given,
        ),
        (
            'INSERT INTO scheduling_serviceplan (code, name, site_id, "interval", visit_every_months, '
            "includes_parts, starts_on, renews_on, notice_days, escalator_percent) SELECT 'made-up ' || id, "
            "'Monthly care', id, 'month', NULL, true, %(first)s::date, "
            "%(first)s::date + 365 + (id %% 300)::int, 30, 0 FROM fleet_site",
            given,
        ),
        (
            "INSERT INTO scheduling_planprice (plan_id, from_on, amount) SELECT id, starts_on, 60 "
            "FROM scheduling_serviceplan",
            given,
        ),
        (
            "INSERT INTO scheduling_revenueentry (kind, cause_key, site_id, plan_id, month, amount, text, "
            "entered_at) SELECT 'plan', 'plan:' || p.id || ':' || to_char(m, 'YYYY-MM'), p.site_id, p.id, "
            "m::date, 60, p.code || ' ' || p.name || ', ' || to_char(m, 'YYYY-MM'), now() "
            "FROM scheduling_serviceplan p CROSS JOIN generate_series(%(first)s::date, %(first)s::date + "
            "(%(months)s - 1) * interval '1 month', interval '1 month') m",
            given,
        ),
    ]
