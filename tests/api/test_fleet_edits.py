"""Changing the fleet, plans and absences by API, from the version one saw."""

import pytest

from fleet.models import FeedTest, Part, PerformanceReading
from scheduling.models import Absence, PlanPeriod, PlanPrice
from tests import factories as make
from tests.api.rows import Caller, Everything

AT = "2026-11-01T08:00:00Z"


@pytest.fixture
def owner(here):
    return Caller(make.person("owner", branch=here.branch))


def edit(caller, method, address, body, shown_at=None):
    etag = caller.get(shown_at or address).headers["ETag"]
    return caller.call(method, address, body, **{"If-Match": etag})


def test_a_site_is_changed_from_the_version_one_saw_and_not_from_an_older_one(owner, here):
    address = f"sites/{here.site.pk}"
    old = owner.get(address).headers["ETag"]
    answer = edit(owner, "PATCH", address, {"access_note": "Ring twice."})
    assert answer.json()["access_note"] == "Ring twice."
    assert answer.headers["ETag"] == owner.get(address).headers["ETag"] != old
    assert owner.call("PATCH", address, {"area": "north"}, **{"If-Match": old}).status_code == 412
    assert owner.call("PATCH", address, {"area": "north"}).status_code == 428


@pytest.mark.parametrize(
    ("body", "field"),
    [({}, "body"), ({"branch_id": 5}, "branch_id"), ({"latitude": 91}, "latitude"), ({"name": ""}, "name"),
     ({"name": "a\x00b"}, "name"), ({"is_closed": "perhaps"}, "is_closed")],
)  # fmt: skip
def test_a_site_takes_no_nonsense(owner, here, body, field):
    answer = edit(owner, "PATCH", f"sites/{here.site.pk}", body)
    assert answer.status_code == 400
    assert answer.json()["fields"][0]["field"] == field


def test_a_treatment_unit_goes_out_of_service_with_a_reason_only(owner, here):
    address = f"treatment-units/{here.unit.pk}"
    assert edit(owner, "PATCH", address, {"is_out_of_service": True}).status_code == 409
    body = {"is_out_of_service": True, "out_of_service_reason": "Site is rebuilt."}
    assert edit(owner, "PATCH", address, body).json()["is_out_of_service"] is True


def test_a_part_is_replaced_and_another_taken_out(owner, here):
    body = {"changed_at": AT, "removal_reason": "worn", "kind_code": here.part.kind.code, "serial": "N-1"}
    address = f"parts/{here.part.pk}"
    new = edit(owner, "POST", f"{address}/replacement", body, address).json()
    here.part.refresh_from_db()
    assert (here.part.removal_reason, new["serial"], new["position"]) == ("worn", "N-1", "carbon")
    address = f"parts/{new['id']}"
    removal = {"removed_at": "2026-11-01T09:00:00Z", "removal_reason": "worn"}
    assert edit(owner, "POST", f"{address}/removal", removal, address).json()["removed_at"] is not None
    assert edit(owner, "POST", f"{address}/removal", removal, address).status_code == 409
    body = {
        "treatment_unit_id": here.unit.pk, "position": "carbon", "kind_code": here.part.kind.code,
        "installed_at": "2026-11-01T10:00:00Z",
    }  # fmt: skip
    assert owner.call("POST", "parts", body).status_code == 201
    assert owner.call("POST", "parts", body).status_code == 409
    assert Part.objects.filter(treatment_unit=here.unit, removed_at__isnull=True).count() == 1


def test_a_part_is_not_installed_in_another_branch_or_tomorrow(owner, here):
    there = Everything()
    body = {"position": "carbon", "kind_code": here.part.kind.code, "installed_at": AT}
    foreign = owner.call("POST", "parts", body | {"treatment_unit_id": there.unit.pk})
    assert foreign.json()["fields"][0]["field"] == "treatment_unit_id"
    late = body | {"treatment_unit_id": here.unit.pk, "installed_at": "2026-11-09T08:00:00Z"}
    assert owner.call("POST", "parts", late).json()["fields"][0]["field"] == "installed_at"


def test_gauges_are_recorded_once_and_corrected_when_said_so(owner, here):
    body = {"treatment_unit_id": here.unit.pk, "read_at": AT, "feed_pressure_psi": 61.0}
    assert owner.call("POST", "performance-readings", body).json()["recorded"] == 1
    assert owner.call("POST", "performance-readings", body).json()["duplicates"] == 1
    other = body | {"feed_pressure_psi": 62.0}
    assert owner.call("POST", "performance-readings", other).status_code == 400
    answer = owner.call("POST", "performance-readings", other | {"is_correction": True}).json()
    assert answer == {"recorded": 0, "corrected": 1, "duplicates": 0}
    assert PerformanceReading.objects.filter(read_at=AT).count() == 2


def test_a_technician_records_gauges_and_tests_at_the_own_stops_only(here):
    technician, elsewhere = Caller(here.technician.person), Everything(branch=here.branch)
    for rows, status in ((here, 201), (elsewhere, 400)):
        gauges = {"treatment_unit_id": rows.unit.pk, "read_at": AT, "feed_pressure_psi": 61.0}
        assert technician.call("POST", "performance-readings", gauges).status_code == status
        test = {"site_code": rows.site.code, "sampled_at": AT, "hardness_mg_l": 210}
        assert technician.call("POST", "feed-tests", test).status_code == status


def test_a_feed_test_names_a_site_or_a_supply_of_the_branch(owner, here):
    test = {"sampled_at": AT, "hardness_mg_l": 210}
    count = FeedTest.objects.count()
    assert owner.call("POST", "feed-tests", test | {"site_code": here.site.code}).status_code == 201
    there = Everything()
    for body in (test, test | {"site_code": there.site.code}, test | {"supply_code": make.supply().code}):
        assert owner.call("POST", "feed-tests", body).status_code == 400
    assert FeedTest.objects.filter(hardness_mg_l=210, sampled_at=AT).count() == 1
    assert FeedTest.objects.count() == count + 2


def test_an_absence_a_price_and_a_rest_are_added_from_the_version_one_saw(owner, here):
    address = f"technicians/{here.technician.pk}"
    body = {"first_on": "2026-11-09", "last_on": "2026-11-10", "reason": "Course."}
    answer = edit(owner, "POST", f"{address}/absences", body, address)
    assert answer.json()["absences"][0]["first_on"] == "2026-11-09"
    assert edit(owner, "POST", f"{address}/absences", body, address).status_code == 409
    address = f"plans/{here.plan.pk}"
    price = {"from_on": "2026-12-01", "amount": "65.00"}
    assert edit(owner, "POST", f"{address}/prices", price, address).json()["prices"][-1]["amount"] == "65.00"
    assert edit(owner, "POST", f"{address}/prices", price, address).status_code == 409
    rest = {"from_on": "2027-01-01", "to_on": "2027-02-01", "why": "Closed for the winter."}
    assert edit(owner, "POST", f"{address}/periods", rest, address).json()["periods"][0]["kind"] == "pause"
    assert (Absence.objects.count(), PlanPrice.objects.filter(amount=65).count()) == (1, 1)
    assert PlanPeriod.objects.get().made_by == owner.person


def test_only_the_fields_asked_for_come_and_the_key(owner, here):
    row = owner.get("sites", {"fields": "code, name"}).json()["results"][0]
    assert set(row) == {"id", "code", "name"}
    shown = owner.get(f"sites/{here.site.pk}", {"fields": "code"})
    assert set(shown.json()) == {"id", "code"}
    assert shown.headers["ETag"] == owner.get(f"sites/{here.site.pk}").headers["ETag"]
    for bad in ("secret", "code,", "\x00"):
        answer = owner.get("sites", {"fields": bad})
        assert (answer.status_code, answer.json()["fields"][0]["field"]) == (400, "fields")


def test_a_model_of_the_catalogue_becomes_a_unit_in_service(owner, here):
    """Kind, model, unit and its commissioning, each by the API alone."""
    kind = {"code": "FINE-9", "name": "Fine carbon", "role": "carbon", "rated_months": 9}
    assert owner.call("POST", "part-kinds", kind).status_code == 201
    twin = owner.call("POST", "part-kinds", kind | {"code": "fine 9"})
    assert (twin.status_code, "looks like" in str(twin.json())) == (409, True)
    for lacking in ("code", "name", "role"):
        body = {name: value for name, value in kind.items() if name != lacking}
        assert owner.call("POST", "part-kinds", body).json()["fields"][0]["field"] == lacking
    places = [{"code": "carbon", "water": "feed", "usual_kind_code": "FINE-9"}]
    model = {"code": "M-9", "name": "Counter unit", "design_use_gal_per_day": 20, "design_permeate_gpm": 0.4}
    unknown = owner.call("POST", "unit-models", model | {"positions": [places[0] | {"usual_kind_code": "?"}]})
    assert unknown.json()["fields"][0]["field"] == "positions"
    assert owner.call("POST", "unit-models", model | {"positions": []}).status_code in (400, 409)
    made = owner.call("POST", "unit-models", model | {"positions": places}).json()
    assert made["positions"] == places
    unit = owner.call(
        "POST", "treatment-units", {"site_id": here.site.pk, "serial": "R-9", "model_code": "M-9"}
    )
    address = f"treatment-units/{unit.json()['id']}"
    more = {"positions": [{"code": "sediment", "water": "feed"}, {"code": "carbon", "water": "feed"}]}
    assert edit(owner, "POST", f"{address}/positions", more, address).json()["positions"] == more["positions"]
    there = Part.objects.filter(treatment_unit__serial="R-9")
    assert not there.exists()
    done = edit(owner, "POST", f"{address}/commissioning", {"on": "2026-10-30"}, address)
    assert done.json()["commissioned_on"] == "2026-10-30"
    assert there.get().kind.code == "FINE-9"
    assert edit(owner, "POST", f"{address}/commissioning", {"on": "2026-10-30"}, address).status_code == 409
    only = {"positions": [{"code": "sediment", "water": "feed"}]}
    assert edit(owner, "POST", f"{address}/positions", only, address).status_code == 409
    model_at = f"unit-models/{made['id']}"
    old = owner.get(model_at).headers["ETag"]
    assert (
        edit(owner, "POST", f"{model_at}/positions", only, model_at).json()["positions"][0]["code"]
        == "sediment"
    )
    assert owner.call("PATCH", model_at, {"name": "Late"}, **{"If-Match": old}).status_code == 412


def test_costs_and_prices_of_the_catalogue_are_not_in_the_api(owner, here):
    assert not {"cost", "price"} & owner.get(f"part-kinds/{here.kind.pk}").json().keys()
    assert edit(owner, "PATCH", f"part-kinds/{here.kind.pk}", {"cost": 1}).status_code == 400
