"""Whatever a program changes stands in the trail of changes: who, and the old value and the new."""

from datetime import date, timedelta

import pytest

from fleet.models import AuditArea, SitePlace
from scheduling.models import Absence, PlanPrice, SiteClosure
from scheduling.overview.activity import Asked, changes
from tests import factories as make
from tests.api.access_table import ACCESS
from tests.api.rows import Caller

AT = "2026-11-01T08:00:00Z"
READINGS = '{"meter_id": %d, "read_at": "2026-11-01T08:00:00Z", "total_gal": 120}\n'


def absence(here):
    day = date(2026, 11, 9)
    return Absence.objects.create(technician=here.technician, first_on=day, last_on=day)


def closure(here):
    return SiteClosure.objects.create(site=here.site, first_on=date(2026, 11, 9), last_on=date(2026, 11, 9))


WRITES = {
    ("POST", "customers"): lambda here: (None, {"name": "Amber Bakery"}, ["Amber Bakery"]),
    ("PATCH", "customers/<int:pk>"): lambda here: (
        here.customer.pk, {"phone": "555-0100"}, [f"phone: {here.customer.phone} → 555-0100"]
    ),
    ("POST", "customers/<int:pk>/merge"): lambda here: (
        make.customer().pk, {"into_id": here.customer.pk}, [f"→ {here.customer.code}"]
    ),
    ("POST", "sites"): lambda here: (
        None, {"customer_id": here.customer.pk, "name": "Mill Road", "branch_code": here.branch.code},
        ["Mill Road", here.customer.code],
    ),
    ("POST", "sites/<int:pk>/takeover"): lambda here: (
        here.site.pk, {"customer_id": make.customer().pk, "from_on": "2026-11-01"},
        [f"{here.customer.code} →", "01 Nov 2026"],
    ),
    ("POST", "treatment-units"): lambda here: (
        None,
        {"site_id": here.site.pk, "serial": "NEW-1", "design_use_gal_per_day": 20,
         "design_permeate_gpm": 0.4},
        [here.site.code],
    ),
    ("POST", "treatment-units/<int:pk>/swap"): lambda here: (
        make.treatment_unit(site=here.site).pk, {"serial": "NEW-1", "on": "2026-11-01"}, ["→ NEW-1"]
    ),
    ("POST", "treatment-units/<int:pk>/move"): lambda here: (
        make.treatment_unit(site=here.site).pk,
        {"site_id": make.site(branch=here.branch, code="MILL").pk, "on": "2026-11-01"},
        [f"{here.site.code} → MILL"],
    ),
    ("POST", "treatment-units/<int:pk>/retirement"): lambda here: (
        make.treatment_unit(site=here.site).pk, {"on": "2026-11-01", "because": "Leaks."}, ["Leaks."]
    ),
    ("POST", "treatment-units/<int:pk>/commissioning"): lambda here: (
        make.treatment_unit(site=here.site, commissioned_on=None).pk, {"on": "2026-11-01"}, ["2026-11-01"]
    ),
    ("POST", "treatment-units/<int:pk>/positions"): lambda here: (
        here.unit.pk,
        {"positions": [{"code": "sediment", "water": "feed"}, {"code": "carbon", "water": "feed"}]},
        ["carbon → sediment, carbon"],
    ),
    ("POST", "supplies"): lambda here: (None, {"name": "Old mill well", "kind": "well"}, ["Old mill well"]),
    ("PATCH", "supplies/<int:pk>"): lambda here: (
        here.supply.pk, {"name": "Town water"}, [f"name: {here.supply.name} → Town water"]
    ),
    ("POST", "part-kinds"): lambda here: (
        None, {"code": "NEW-KIND", "name": "Fine carbon", "role": "sediment"}, ["Fine carbon"]
    ),
    ("PATCH", "part-kinds/<int:pk>"): lambda here: (
        here.kind.pk, {"rated_months": 9}, ["rated_months:", "→ 9.0"]
    ),
    ("POST", "unit-models"): lambda here: (
        None,
        {"code": "NEW-MODEL", "name": "Counter unit", "design_use_gal_per_day": 20,
         "design_permeate_gpm": 0.4,
         "positions": [{"code": "carbon", "water": "feed", "usual_kind_code": here.kind.code}]},
        ["Counter unit"],
    ),
    ("PATCH", "unit-models/<int:pk>"): lambda here: (
        here.model.pk, {"idle_limit_days": 5}, ["idle_limit_days:", "→ 5"]
    ),
    ("POST", "unit-models/<int:pk>/positions"): lambda here: (
        here.model.pk, {"positions": [{"code": "polish", "water": "permeate"}]}, ["→ polish –"]
    ),
    ("PATCH", "sites/<int:pk>"): lambda here: (
        here.site.pk, {"access_note": "Ring twice."}, [f"access_note: {here.site.access_note} → Ring twice."]
    ),
    ("POST", "sites/<int:pk>/place"): lambda here: (
        here.site.pk, {"latitude": 42.03, "longitude": -93.62}, ["→ 42.03000, -93.62000 (typed)"]
    ),
    ("POST", "sites/<int:pk>/place-confirmation"): lambda here: (
        SitePlace.objects.create(
            site=here.site, latitude=here.site.latitude, longitude=here.site.longitude, source="town",
            placed_at=make.NOW,
        ).site_id, {"is_right": True}, [],
    ),
    ("PATCH", "treatment-units/<int:pk>"): lambda here: (
        here.unit.pk, {"label": "cellar"}, [f"label: {here.unit.label} → cellar"]
    ),
    ("POST", "parts"): lambda here: (
        None,
        {"treatment_unit_id": here.unit.pk, "position": make.position(here.unit, "membrane", 2).code,
         "kind_code": here.part.kind.code, "installed_at": AT},
        ["membrane", here.part.kind.code],
    ),
    ("POST", "parts/<int:pk>/removal"): lambda here: (
        here.part.pk, {"removed_at": AT, "removal_reason": "worn"}, [f"{here.part.kind.code}", "→ none: worn"]
    ),
    ("POST", "parts/<int:pk>/replacement"): lambda here: (
        here.part.pk,
        {"changed_at": AT, "removal_reason": "worn", "kind_code": here.part.kind.code, "serial": "N-1"},
        ["→", "N-1: worn"],
    ),
    ("POST", "meter-readings/bulk"): lambda here: (None, READINGS % here.meter.pk, ["1 recorded", "key-1"]),
    ("POST", "meter-readings"): lambda here: (
        None, {"meter_id": here.meter.pk, "read_at": AT, "total": 120}, ["permeate 120 gal"]
    ),
    ("POST", "corrections"): lambda here: (
        None, {"of": "part", "row_id": here.part.pk, "values": {"lot": "L-9"}, "reason": "Label misread."},
        ["Label misread."],
    ),
    ("POST", "revenue-entries/<int:pk>/correction"): lambda here: (
        here.entry.pk, {"to_amount": "48.00", "because": "Twenty minutes more."}, ["Twenty minutes more."]
    ),
    ("POST", "performance-readings"): lambda here: (
        None,
        {"treatment_unit_id": here.unit.pk, "read_at": AT, "feed_pressure_psi": 61.5},
        ["feed_pressure_psi 61.5"],
    ),
    ("POST", "feed-tests"): lambda here: (
        None, {"site_code": here.site.code, "sampled_at": AT, "hardness_mg_l": 210}, ["hardness_mg_l 210"]
    ),
    ("POST", "work-orders"): lambda here: (
        None,
        {"client_id": "5f0c5a3e-3f5c-4a52-8f5e-0a3c6f3b2a10", "treatment_unit_id": here.unit.pk,
         "why": "A leak.", "window_from": "2026-11-02", "window_to": "2026-11-05"},
        [],
    ),
    ("PATCH", "work-orders/<int:pk>"): lambda here: (
        here.order.pk, {"promised_on": "2026-11-02"}, ["02 Nov 2026"]
    ),
    ("POST", "work-orders/<int:pk>/withdraw"): lambda here: (
        here.order.pk, {"reason": "Site closed."}, ["Site closed."]
    ),
    ("POST", "technicians/<int:pk>/absences"): lambda here: (
        here.technician.pk, {"first_on": "2026-11-09", "last_on": "2026-11-10", "reason": "Course."},
        ["09 Nov 2026 to 10 Nov 2026"],
    ),
    ("POST", "technicians"): lambda here: (
        None,
        {"name": "Mara Quist", "branch_code": here.branch.code, "works_from": "2026-11-09",
         "weekdays": [0, 1], "starts_at": "08:00", "ends_at": "16:00", "start_latitude": 41.0,
         "start_longitude": -93.0},
        ["from 09 Nov 2026"],
    ),
    ("POST", "technicians/<int:pk>/absences/end"): lambda here: (
        here.technician.pk, {"id": absence(here).pk}, ["09 Nov 2026"]
    ),
    ("POST", "technicians/<int:pk>/week"): lambda here: (
        here.technician.pk,
        {"from_on": "2026-11-09", "weekdays": [0, 1], "starts_at": "08:00", "ends_at": "16:00"},
        ["from 09 Nov 2026: Mon, Tue, 08:00–16:00"],
    ),
    ("POST", "technicians/<int:pk>/leaving"): lambda here: (
        here.technician.pk, {"last_on": "2026-11-30"}, ["last day 30 Nov 2026"]
    ),
    ("POST", "sites/<int:pk>/closures"): lambda here: (
        here.site.pk, {"first_on": "2026-11-09", "last_on": "2026-11-20", "reason": "Works"},
        ["09 Nov 2026 to 20 Nov 2026"],
    ),
    ("POST", "sites/<int:pk>/closures/end"): lambda here: (
        here.site.pk, {"id": closure(here).pk}, ["09 Nov 2026"]
    ),
    ("POST", "plans"): lambda here: (
        None,
        {"site_code": here.site.code, "name": "Full care", "interval": "month", "amount": "40.00",
         "starts_on": "2026-11-02"},
        ["Full care at", "40.00"],
    ),
    ("POST", "plans/<int:pk>/end"): lambda here: (
        here.plan.pk, {"last_on": "2026-11-30", "why": "Moved away"}, ["30 Nov 2026: Moved away"]
    ),
    ("POST", "plans/<int:pk>/prices"): lambda here: (
        here.plan.pk, {"from_on": "2026-12-01", "amount": "65.00"},
        [f"{PlanPrice.objects.get(plan=here.plan).amount} → 65.00 from 2026-12-01 on"],
    ),
    ("POST", "plans/<int:pk>/periods"): lambda here: (
        here.plan.pk, {"from_on": "2027-01-01", "percent_off": "10", "why": "Loyal."},
        ["full price → 10", "2027-01-01 to open end: Loyal."],
    ),
}  # fmt: skip
"""Every write: key of the row, body, and what the trail then says beside who it was."""


def trail(person):
    asked = Asked(
        make.NOW - timedelta(days=1), make.NOW + timedelta(days=1), tuple(AuditArea), person.username
    )
    return list(changes(asked))


def test_every_write_is_in_the_table_here():
    assert set(WRITES) == {(method, address) for method, address in ACCESS if method != "GET"}


@pytest.mark.parametrize(("method", "address"), sorted(WRITES))
def test_every_write_leaves_who_and_what_in_the_trail_and_a_refused_one_nothing(here, method, address):
    owner = Caller(make.person("owner", branch=here.branch))
    key, body, words = WRITES[method, address](here)
    place = address.replace("<int:pk>", str(key))
    headers = {"If-Match": "*", "Idempotency-Key": "key-1"}
    if address.endswith("bulk"):
        headers["content_type"] = "application/x-ndjson"
    assert owner.call(method, place, {} if isinstance(body, dict) else "x\n", **headers).status_code < 500
    assert trail(owner.person) == []
    headers["Idempotency-Key"] = "key-1" if isinstance(body, dict) else "key-1-again"
    answer = owner.call(method, place, body, **headers)
    assert answer.status_code in (200, 201), answer.content
    (entry,) = trail(owner.person)
    for word in words:
        assert word in entry["told_detail"]
