"""The OpenAPI description: each operation from its ViewSet, each refusal as problem details."""

import inspect
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.openapi import AutoSchema

from api.errors import CONTENT_TYPE

if TYPE_CHECKING:
    from api.viewsets import Deprecation

PROBLEM: Final[dict[str, Any]] = {
    "type": "object",
    "description": "Problem details, RFC 9457, with what would cure it.",
    "required": ["type", "title", "status"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "remedy": {"type": "string"},
        "fields": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["field", "message"],
                "properties": {"field": {"type": "string"}, "message": {"type": "string"}},
            },
        },
    },
}
ALWAYS: Final = {
    "400": "Something in the call is not right.",
    "401": "No token, or one that opens nothing.",
    "403": "Your role or your token does not allow it.",
    "406": "Only JSON is spoken here.",
    "429": "Too many calls; wait as Retry-After says.",
}
OF_A_ROW: Final = {"404": "There is no such row, or not in your branch."}
OF_AN_EDIT: Final = {
    "409": "It can't be done as things stand.",
    "413": "The body is too large.",
    "415": "The body is of a kind not read here.",
}
OF_A_MATCH: Final = {"412": "It was changed since you read it.", "428": "If-Match is missing."}


class OperationSchema(AutoSchema):
    """Names and describes operations: a write by its own method, reads by the list and its ViewSet."""

    def get_operation_id(self) -> str:
        """Return ``list_work_orders`` or ``show_work_order``; a write names itself."""
        rows = self.view.basename.replace("-", "_")
        return f"list_{rows}" if self.view.action == "list" else f"show_{_one(rows)}"

    def get_description(self) -> str:
        """Return what the method or the ViewSet says of itself."""
        action = self.view.action
        told = inspect.getdoc(getattr(self.view, action) if action != "list" else type(self.view)) or ""
        if action == "retrieve":
            told = f"Show one {self.view.shows}."
        return f"{told}\n\n{self._deprecation()}" if self.is_deprecated() else told

    def is_deprecated(self) -> bool:
        """Say whether the operation is marked as on its way out."""
        return self._deprecation() is not None

    def get_summary(self) -> str:
        """Return the first sentence of it."""
        return self.get_description().split("\n")[0].split(". ")[0].rstrip(".")

    def _deprecation(self) -> "Deprecation | None":
        return self.view.deprecated.get(self.view.action)


def _one(rows: str) -> str:
    return rows.removesuffix("ies") + "y" if rows.endswith("ies") else rows.removesuffix("s")


def add_fields(result: dict, generator, request, public) -> dict:
    """Write the parameter ``fields`` beside every read of rows; rows may then come with some fields only."""
    schemas = result["components"]["schemas"]
    for methods in result["paths"].values():
        name = _row_of(methods.get("get", {}))
        if name not in schemas:
            continue
        methods["get"].setdefault("parameters", []).append(
            {"name": "fields", "in": "query", "required": False, "schema": {"type": "string"},
             "example": ",".join(list(schemas[name]["properties"])[:3]),
             "description": "Only these fields, a comma between; the first field always comes."}
        )  # fmt: skip
        schemas[name]["required"] = list(schemas[name]["properties"])[:1]
    return result


def _row_of(operation: dict) -> str:
    """Return the name of the schema of one row in an answer."""
    answer = operation.get("responses", {}).get("200", {}).get("content", {}).get("application/json", {})
    name = answer.get("schema", {}).get("$ref", "").rsplit("/", 1)[-1]
    return name.removeprefix("Paginated").removesuffix("List")


def add_problems(result: dict, generator, request, public) -> dict:
    """Write the refusals of every operation into the schema."""
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM
    for path, methods in result["paths"].items():
        for method, operation in methods.items():
            for status, text in _refusals(path, method, operation).items():
                operation["responses"].setdefault(status, _problem_response(text))
    return result


def _refusals(path: str, method: str, operation: dict) -> dict[str, str]:
    refusals = dict(ALWAYS)
    if "{" in path:
        refusals |= OF_A_ROW
    if method != "get":
        refusals |= OF_AN_EDIT
    if any(parameter["name"] == "If-Match" for parameter in operation.get("parameters", [])):
        refusals |= OF_A_MATCH
    return refusals


def _problem_response(text: str) -> dict:
    schema = {"$ref": "#/components/schemas/Problem"}
    return {"description": text, "content": {CONTENT_TYPE: {"schema": schema}}}
