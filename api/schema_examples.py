"""An example for every body a program may send, and what webhooks tell: both in the OpenAPI description.

All of it is invented. A field's example comes from its name, else from its type and bounds.
"""

from typing import Any, Final

from fleet.models import WebhookKind

Schema = dict[str, Any]

NAMED: Final[dict[str, Any]] = {
    "access_note": "Ring at the gate.", "address": "12 Mill Lane, Northfield", "amount": "40.00",
    "area": "Northfield", "because": "Told by telephone.", "branch_code": "north", "code": "N-0042",
    "email": "office@example.com", "ends_at": "16:00", "ends_on": "2027-11-01", "feed_pressure_psi": 61.5,
    "first_on": "2026-11-09", "free_chlorine_mg_l": 0.8, "from_on": "2026-12-01",
    "hardness_mg_l": 210.0,
    "kind_code": "carbon-block-10", "label": "Cellar", "last_on": "2026-11-20", "latitude": 42.03,
    "longitude": -93.62, "lot": "L-2609", "minutes": 40, "model_code": "RO-500", "name": "Northfield",
    "of": "part", "percent_off": "10.00", "position": "carbon-1", "reason": "Told by telephone.",
    "serial": "RO-0042", "site_code": "N-0042", "start_latitude": 42.03, "start_longitude": -93.62,
    "starts_at": "08:00", "time_zone": "America/Chicago",
    "to_amount": "48.00", "to_on": "2027-11-30", "total": 120.0,
    "treatment_unit_serial": "RO-0042", "values": {"lot": "L-2610"},
    "weekdays": [0, 1, 2, 3, 4], "why": "Leak at the inlet.", "window_to": "2026-11-05",
}  # fmt: skip
FORMATS: Final = {
    "date": "2026-11-02", "date-time": "2026-11-02T15:00:00Z", "time": "08:00", "decimal": "40.00",
    "uuid": "5f0c5a3e-3f5c-4a52-8f5e-0a3c6f3b2a10", "email": "office@example.com",
}  # fmt: skip
LINES: Final = {
    "text/csv": "treatment_unit_serial,read_at,total_gal\nRO-0042,2026-11-02T15:00:00Z,120.0\n",
    "application/x-ndjson": '{"meter_id": 41, "read_at": "2026-11-02T15:00:00Z", "total_gal": 120.0}\n',
}
LINES["application/jsonl"] = LINES["application/x-ndjson"]
OPTIONAL: Final = 4
"""So many optional fields an example shows at most, of those with a name above."""
MAY_BE_NULL: Final = {"promised_on", "likely_on"}
"""Null where nobody promised, or nothing is expected."""
ORDER: Final = {
    "order_id": 412, "kind": "one_off", "state": "open", "treatment_unit_serial": "RO-0042",
    "site_code": "N-0042", "why": "Leak at the inlet.", "window_from": "2026-11-02",
    "window_to": "2026-11-05", "promised_on": "2026-11-03", "what": "raised", "detail": "",
}  # fmt: skip
ROUTES: Final = {"plan_id": 7, "first_on": "2026-11-02", "last_on": "2026-11-06", "route_ids": [31, 32]}
TOLD: Final[dict[str, dict[str, Any]]] = {
    WebhookKind.ORDER_RAISED: ORDER,
    WebhookKind.ORDER_UPDATED: ORDER | {"state": "planned", "what": "planned"},
    WebhookKind.ORDER_WITHDRAWN: ORDER | {"state": "withdrawn", "what": "withdrawn"},
    WebhookKind.ORDER_CLOSED: ORDER | {"state": "done", "what": "closed out"},
    WebhookKind.ROUTE_PUBLISHED: ROUTES,
    WebhookKind.ROUTE_TAKEN_BACK: ROUTES,
    WebhookKind.FINDING_RAISED: {
        "cause_key": "part:88:life", "kind": "life", "treatment_unit_serial": "RO-0042",
        "site_code": "N-0042", "why": "The carbon is used up.", "likely_on": "2026-11-12",
    },
    WebhookKind.READING_REFUSED: {
        "topic": "sites/N-0042/RO-0042/permeate", "reason": "No total.", "remedy": "Send total_gal.",
    },
    WebhookKind.METER_SILENT: {
        "treatment_unit_serial": "RO-0042", "site_code": "N-0042", "source": "permeate",
        "heard_at": "2026-10-31T15:00:00+00:00",
    },
}  # fmt: skip
"""What ``data`` of each kind of event holds."""


def add_examples(result: Schema, generator: object, request: object, public: bool) -> Schema:
    """Write an example beside every body that may be sent."""
    schemas = result["components"]["schemas"]
    for methods in result["paths"].values():
        for operation in methods.values():
            for kind, content in operation.get("requestBody", {}).get("content", {}).items():
                content["example"] = LINES.get(kind) or example_of("", content["schema"], schemas)
    return result


def example_of(name: str, schema: Schema, schemas: Schema) -> Any:
    """Return an example of a field or of a whole body."""
    if name in NAMED:
        return NAMED[name]
    for one in (schema, *schema.get("oneOf", ()), *schema.get("allOf", ())):
        if "$ref" in one:
            return example_of("", schemas[one["$ref"].rsplit("/", 1)[-1]], schemas)
    if "properties" in schema:
        asked = schema.get("required", [])
        more = [field for field in schema["properties"] if field not in asked and field in NAMED]
        shown = [*asked, *more[: OPTIONAL if asked else 1]] or list(schema["properties"])[:1]
        return {field: example_of(field, schema["properties"][field], schemas) for field in shown}
    if schema.get("default") not in (None, ""):
        return schema["default"]
    if "enum" in schema:
        return schema["enum"][0]
    if schema.get("format") in FORMATS:
        return FORMATS[schema["format"]]
    return _by_type(schema, schemas)


def _by_type(schema: Schema, schemas: Schema) -> Any:
    types = schema.get("type", "object")
    kind = types if isinstance(types, str) else types[0]
    if kind in ("integer", "number"):
        least, most = schema.get("minimum", 0), schema.get("maximum", 41)
        value = min(max(41, least), most)
        return int(value) if kind == "integer" else float(value)
    if kind == "array":
        return [example_of("", schema["items"], schemas)]
    return {"boolean": True, "string": "carbon"}.get(kind, {})


def add_webhooks(result: Schema, generator: object, request: Any, public: bool) -> Schema:
    """Write what is sent to whom it was entered for, and where this server is met."""
    result["servers"] = [{"url": request.build_absolute_uri("/")[:-1] if request else "/"}]
    result["webhooks"] = {
        str(kind): {"post": _told(kind, WebhookKind(kind), data)} for kind, data in TOLD.items()
    }
    return result


def _told(kind: str, kind_of: WebhookKind, data: dict[str, Any]) -> Schema:
    texts = {
        "webhook-id": "Of the event; the same when it is sent again.",
        "webhook-timestamp": "Seconds since 1970, signed too.",
        "webhook-signature": "“Standard Webhooks”: v1, and HMAC-SHA256 of id, timestamp and body.",
    }
    body = {"id": FORMATS["uuid"], "type": str(kind), "timestamp": "2026-11-02T15:00:00+00:00", "data": data}
    schema = _schema_of("", body)
    schema["properties"]["type"] = {"const": str(kind)}
    return {
        "operationId": f"told_{kind.replace('.', '_')}",
        "summary": str(kind_of.label),
        "description": "At least once; answered with any 2xx within 10 s. 410 ends the webhook.",
        "parameters": [
            {
                "name": name,
                "in": "header",
                "required": True,
                "schema": {"type": "string"},
                "description": text,
            }
            for name, text in texts.items()
        ],
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": schema, "example": body}},
        },
        "responses": {"2XX": {"description": "Taken."}, "410": {"description": "Send no more."}},
    }


def _schema_of(name: str, value: Any) -> Schema:
    """Return the schema of what an example is one of."""
    if isinstance(value, dict):
        inside = {field: _schema_of(field, one) for field, one in value.items()}
        return {"type": "object", "required": list(inside), "properties": inside}
    if isinstance(value, list):
        return {"type": "array", "items": _schema_of("", value[0])}
    kind = "integer" if isinstance(value, int) else "string"
    format_of = "date" if name.endswith("_on") else "date-time" if name in ("heard_at", "timestamp") else ""
    shown: Schema = {"type": [kind, "null"] if name in MAY_BE_NULL else kind}
    return shown | ({"format": format_of} if format_of else {})
