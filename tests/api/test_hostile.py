"""What a careless or hostile caller sends: refused cleanly, nothing written, nothing broken."""

import base64
import itertools
import json
import uuid

import pytest
from django.core import signing

from api.models import IdempotencyRecord
from fleet.models import MeterReading
from scheduling.models import WorkOrder
from tests import factories as make
from tests.api.access_table import ACCESS, ADDRESSES
from tests.api.rows import Caller
from tests.api.test_bulk_readings import AT, CSV, LINES, send

LISTS = sorted(address for method, address in ACCESS if method == "GET" and "<" not in address)
ROWS = sorted(address for method, address in ACCESS if method == "GET" and "<" in address)
BAD_TEXTS = [
    "\x00", "a\x00b", "NaN", "inf", "-1", "1e999", "9" * 400, "9999-12-31T23:59:59-12:00",
    "0001-01-01T00:00:00+14:00",
    "2015-10-25T23:05:04+19:53", "9999-12-31", "0001-01-01", "\ud800", "x" * 100_000, "' OR 1=1 --", "[]",
    "2026-13-45", "true", "١٢",
]  # fmt: skip
DEEP = "[" * 100_000 + "]" * 100_000
BAD_BODIES = {
    "no JSON": b"{",
    "NaN": b'{"minutes": NaN}',
    "infinity": b'{"minutes": -Infinity}',
    "deep": DEEP.encode(),
    "deep objects": b'{"a":' * 50_000 + b"1" + b"}" * 50_000,
    "large": b'{"why": "' + b"x" * (2 * 1024 * 1024) + b'"}',
    "not UTF-8": b'{"why": "\xff\xfe"}',
    "UTF-16": '{"why": "x"}'.encode("utf-16"),
    "a number of 5000 digits": b'{"minutes": ' + b"9" * 5000 + b"}",
    "a list": b"[1, 2]",
    "a word": b'"x"',
    "null": b"null",
    "empty": b"",
}


@pytest.fixture
def owner(here):
    return Caller(make.person("owner", branch=here.branch))


def is_clean(answer) -> bool:
    """Refused as problem details, or answered with rows."""
    if answer.status_code == 200:
        return answer.headers["Content-Type"] == "application/json"
    return 400 <= answer.status_code < 500 and "json" in answer.headers["Content-Type"]


@pytest.mark.parametrize("address", LISTS)
def test_no_query_breaks_a_list(owner, address):
    (viewset,) = (viewset for method, at, viewset, _ in ADDRESSES if (method, at) == ("GET", address))
    names = viewset.filterset_class.get_filters()
    for name in [*names, "cursor", "page_size", "ordering"]:
        for text in BAD_TEXTS:
            answer = owner.client.generic(
                "GET", f"/api/{address}", headers=owner.headers,
                QUERY_STRING=f"{name}={quoted(text)}",
            )  # fmt: skip
            assert is_clean(answer), (name, text[:30], answer.status_code)


def quoted(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in text.encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize("address", LISTS)
@pytest.mark.parametrize(
    "inside",
    [
        ["id", 1], ["id", None, "x"], ["id", {}, 1], ["id", 1, 10**30], ["id", 1, -5], ["id", "\x00", 1],
        ["found_at", "9999-12-31T23:59:59-12:00", 1], ["code", "\ud800", 1], ["id", 10**30, 1],
        ["id", True, True], 5, None,
    ],
)  # fmt: skip
def test_a_cursor_somebody_made_up_is_refused(owner, address, inside):
    text = base64.urlsafe_b64encode(json.dumps(inside).encode()).decode().rstrip("=")
    signed = signing.dumps(inside, salt="some.Other")
    for cursor, ordering in itertools.product(
        (text, signed), ("", inside[0] if isinstance(inside, list) else "")
    ):
        query = {"cursor": cursor} | ({"ordering": ordering} if ordering else {})
        assert owner.get(address, query).status_code == 400


@pytest.mark.parametrize("address", ROWS)
def test_no_key_breaks_a_row(owner, address):
    for key in ("0", "9" * 19, "9" * 40, "-1", "x", "1.5", "%00"):
        answer = owner.get(address.replace("<int:pk>", key))
        assert answer.status_code == 404, key
        assert answer.headers["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize("body", BAD_BODIES.values(), ids=BAD_BODIES)
def test_no_body_breaks_raising_or_editing(owner, here, body):
    orders = WorkOrder.objects.count()
    for method, address in (
        ("POST", "work-orders"),
        ("PATCH", f"work-orders/{here.order.pk}"),
        ("POST", f"work-orders/{here.order.pk}/withdraw"),
    ):
        answer = owner.call(method, address, body, **{"If-Match": "*"})
        assert answer.status_code in (400, 413), (address, answer.content)
        assert answer.headers["Content-Type"] == "application/problem+json"
    assert WorkOrder.objects.count() == orders
    here.order.refresh_from_db()
    assert here.order.state == "on_route"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("client_id", "x"), ("client_id", 5), ("client_id", {}), ("treatment_unit_id", 10**30),
        ("treatment_unit_id", -1), ("treatment_unit_id", "x" * 5000), ("treatment_unit_id", True),
        ("why", "a\x00b"), ("why", "\ud800"), ("why", "x" * 1001), ("why", ""), ("why", " "), ("why", None),
        ("why", []), ("why", {}), ("why", "a\x07b"), ("why", "a\uffffb"),
        ("window_from", "9999-12-31"), ("window_to", "9999-12-31"), ("window_to", "0001-01-01"),
        ("window_to", "2026-11-05T00:00:00Z"), ("minutes", 0), ("minutes", 10**30), ("minutes", 1e308),
        ("minutes", "NaN"), ("promised_on", "9999-12-31"), ("promised_on", 0),
    ],
)  # fmt: skip
def test_each_field_of_a_new_order_is_refused_by_name(owner, here, field, value):
    body = {
        "client_id": str(uuid.uuid4()), "treatment_unit_id": here.unit.pk, "why": "A leak.",
        "window_from": "2026-11-02", "window_to": "2026-11-05",
    }  # fmt: skip
    answer = owner.call("POST", "work-orders", json.dumps(body | {field: value}))
    assert answer.status_code == 400, answer.content
    assert [problem["field"] for problem in answer.json()["fields"]] == [field]


def test_signs_that_are_no_text_are_refused_deep_inside_too(owner, here):
    body = {"of": "part", "row_id": here.part.pk, "values": {"lot": "L\x1b[31m"}, "reason": "Misread."}
    answer = owner.call("POST", "corrections", body)
    assert answer.status_code == 400
    assert [problem["field"] for problem in answer.json()["fields"]] == ["values"]
    here.part.refresh_from_db()
    assert "\x1b" not in here.part.lot
    answer = owner.call("PATCH", f"sites/{here.site.pk}", {"access_note": "a\nb\tc"}, **{"If-Match": "*"})
    assert answer.status_code == 200, answer.content


@pytest.mark.parametrize("address", LISTS)
def test_an_empty_parameter_gives_nothing_and_never_everything(owner, address):
    (viewset,) = (viewset for method, at, viewset, _ in ADDRESSES if (method, at) == ("GET", address))
    for name in [*viewset.filterset_class.get_filters(), "cursor", "page_size", "ordering", "fields"]:
        for value in ("", " "):
            answer = owner.get(address, {name: value})
            assert answer.status_code == 400, (name, value)
            assert [problem["field"] for problem in answer.json()["fields"]] == [name]


def test_a_boolean_is_no_number(owner, here):
    for field, body, address in (
        ("latitude", {"latitude": True}, f"sites/{here.site.pk}"),
        ("hardness_mg_l", {"site_code": here.site.code, "sampled_at": AT, "hardness_mg_l": False},
         "feed-tests"),
        ("feed_pressure_psi", {"treatment_unit_id": here.unit.pk, "read_at": AT, "feed_pressure_psi": True},
         "performance-readings"),
    ):  # fmt: skip
        method = "PATCH" if field == "latitude" else "POST"
        answer = owner.call(method, address, body, **{"If-Match": "*"})
        assert answer.status_code == 400, (field, answer.content)
        assert [problem["field"] for problem in answer.json()["fields"]] == [field]


def test_a_misspelt_field_is_refused_and_the_nearest_named(owner, here):
    body = {"treatment_unit_id": here.unit.pk, "read_at": AT, "feed_presure_psi": 61.0}
    answer = owner.call("POST", "performance-readings", body)
    assert answer.status_code == 400
    (problem,) = answer.json()["fields"]
    assert (problem["field"], "feed_pressure_psi" in problem["message"]) == ("feed_presure_psi", True)
    answer = owner.call("POST", "performance-readings", {"\ud800": 1})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "other",
    [{"why": "Another leak."}, {"window_to": "2026-11-06"}, {"minutes": 7}, {"promised_on": "2026-11-04"}],
)
def test_a_client_id_with_another_body_is_a_conflict_and_with_the_same_the_same_order(owner, here, other):
    body = {
        "client_id": str(uuid.uuid4()), "treatment_unit_id": here.unit.pk, "why": "A leak.",
        "window_from": "2026-11-02", "window_to": "2026-11-05",
    }  # fmt: skip
    first = owner.call("POST", "work-orders", body)
    assert owner.call("POST", "work-orders", body).json()["id"] == first.json()["id"]
    answer = owner.call("POST", "work-orders", body | other)
    assert answer.status_code == 409, answer.content
    assert answer.json()["fields"][0]["field"] == "client_id"


def test_upside_down_windows_and_past_promises_are_conflicts_with_a_remedy(owner, here):
    body = {
        "client_id": str(uuid.uuid4()), "treatment_unit_id": here.unit.pk, "why": "A leak.",
        "window_from": "2026-11-09", "window_to": "2026-11-05",
    }  # fmt: skip
    answer = owner.call("POST", "work-orders", body)
    assert answer.status_code == 409
    assert answer.json()["remedy"]


BAD_LINES = [
    b"{", b"5", b"[]", b"null", b'"x"', b"NaN", DEEP.encode(), b'{"a":' * 50_000, b"\xff\xfe\x00", b"\x00",
    b'{"meter_id": 1, "read_at": "x", "total_gal": 1, "serail": 2}', b'{"read_at": "' + b"9" * 5000 + b'"}',
    b'{"\\ud800": 1}',
]  # fmt: skip


def test_lines_that_can_not_be_read_are_each_returned(owner, here):
    good = json.dumps({"meter_id": here.meter.pk, "read_at": AT, "total_gal": 120}).encode()
    body = b"\n".join([*BAD_LINES, b"", good])
    answer = send(owner, body).json()
    assert answer["recorded"] == 1
    assert [problem["row"] for problem in answer["problems"]] == list(range(1, len(BAD_LINES) + 1))


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("total_gal", value)
        for value in ("NaN", "inf", "-inf", "1e999", 10**400, True, [], {}, "", "x", "\x00", "\ud800", "1,5",
                      None)
    ]
    + [
        ("read_at", value)
        for value in (None, 5, [], "", "x", "2026-11-01", "2026-11-01T08:00:00", "9999-12-31T23:59:59-12:00",
                      "0001-01-01T00:00:00+14:00", "2026-02-30T08:00:00Z", "\x00", "\ud800", "x" * 3000)
    ]
    + [("meter_id", value) for value in (0, -1, 10**30, True, "x", [], {}, "\x00", 1.5, "1.5", "٣")]
    + [("treatment_unit_serial", value) for value in ("\x00", "\ud800", 5, [], "x" * 3000)]
    + [("water", value) for value in ("beer", 5, [], {}, "\x00")]
    + [("is_correction", value) for value in ("maybe", 5, [], {}, 1.5)],
)  # fmt: skip
@pytest.mark.parametrize("kind", [LINES, CSV])
def test_no_cell_of_a_bulk_row_breaks_the_call(owner, here, field, value, kind):
    before = MeterReading.objects.count()
    values = {"treatment_unit_serial": here.unit.serial, "read_at": AT, "total_gal": 120, field: value}
    if kind == LINES:
        body = json.dumps(values)
    else:
        cells = ",".join('"' + str(cell).replace('"', '""') + '"' for cell in values.values())
        body = (",".join(values) + "\n" + cells + "\n").encode("utf-8", "surrogatepass")
    answer = send(owner, body, content_type=kind)
    assert answer.status_code == 200, answer.content
    assert answer.json()["refused"] == 1, answer.json()
    assert MeterReading.objects.count() == before


@pytest.mark.parametrize(
    "body",
    ["", "\n", "meter_id\n1\n", "a,b\n1,2\n", "read_at,read_at\n", '"read_at\n1', "\x00\n", "x" * 500_000,
     "read_at" + ",x" * 5000 + "\n", b"\xff\xfer\x00e\x00"],
)  # fmt: skip
def test_a_header_that_can_not_do_refuses_the_whole_body_and_keeps_no_answer(owner, db, body):
    answer = send(owner, body, content_type=CSV)
    assert answer.status_code == 400
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert not IdempotencyRecord.objects.exists()


def test_a_csv_line_with_an_open_quote_is_returned(owner, here):
    body = f'meter_id,read_at,total_gal\n{here.meter.pk},{AT},120\n{here.meter.pk},"{AT},121\n'
    answer = send(owner, body, content_type=CSV).json()
    assert (answer["recorded"], answer["refused"]) == (1, 1)


def test_what_nobody_can_answer_in_is_refused_as_problem_details(owner):
    answer = owner.client.get("/api/sites", headers=owner.headers | {"Accept": "application/x-nonsense"})
    assert answer.status_code == 406
    assert answer.headers["Content-Type"] == "application/problem+json"
    answer = owner.call("POST", "work-orders", b"why=leak", content_type="application/x-www-form-urlencoded")
    assert answer.status_code == 415
    assert answer.headers["Content-Type"] == "application/problem+json"
    answer = owner.call("DELETE", "work-orders")
    assert answer.status_code == 405
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_a_fault_of_ours_is_problem_details_and_tells_nothing_of_itself(owner, monkeypatch):
    def fail(*_, **__):
        raise RuntimeError("secret of the house")

    monkeypatch.setattr("api.sites.SiteViewSet.list", fail)
    owner.client.raise_request_exception = False
    answer = owner.get("sites")
    assert answer.status_code == 500
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["remedy"]
    assert b"secret" not in answer.content
