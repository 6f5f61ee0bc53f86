"""Cuts lists into pages by key, so that rows which come and go never shift what follows.

DRF's CursorPagination counts rows with the same sort value by an offset, which they do shift, up to a cutoff.
A cursor is signed: only what was sent out comes back.
"""

from collections.abc import Sequence
from datetime import date
from typing import Final

from django.core import signing
from django.db.models import Model, Q, QuerySet
from rest_framework.exceptions import ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param

USUAL_ROWS: Final = 100
MOST_ROWS: Final = 1000


class KeysetPagination(BasePagination):
    """Pages after the last row's sort value and key. The view names its ``orderings``; none may be empty."""

    def paginate_queryset(self, queryset: QuerySet, request: Request, view=None) -> list:
        """Return one page of rows. Raises ValidationError for a page that can't be."""
        self.request = request
        self.key = queryset.model._meta.pk.name
        self.sort = _one_of(request, view.orderings)
        size = _size(request)
        rows = queryset.order_by(*_order(self.sort, self.key))
        if cursor := request.query_params.get("cursor"):
            rows = rows.filter(_after(self.sort, self.key, *_read(cursor, self.sort, queryset.model)))
        found = list(rows[: size + 1])
        self.next_cursor = _write(self.sort, found[size - 1]) if len(found) > size else ""
        return found[:size]

    def get_paginated_response(self, data: list) -> Response:
        """Return the page and the address of the next one."""
        link = None
        if self.next_cursor:
            link = replace_query_param(self.request.build_absolute_uri(), "cursor", self.next_cursor)
        return Response({"next": link, "results": data})

    def get_paginated_response_schema(self, schema: dict) -> dict:
        """Return the same for the schema."""
        return {
            "type": "object",
            "required": ["next", "results"],
            "properties": {
                "next": {"type": ["string", "null"], "format": "uri"},
                "results": schema,
            },
        }

    def get_schema_operation_parameters(self, view) -> list[dict]:
        """Return the query parameters for the schema."""
        orderings = [sign + name for name in view.orderings for sign in ("", "-")]
        return [
            _parameter("cursor", {"type": "string"}, "From the address in next; good for the same ordering."),
            _parameter(
                "page_size",
                {"type": "integer", "minimum": 1, "maximum": MOST_ROWS, "default": USUAL_ROWS},
                "Rows of a page.",
            ),
            _parameter(
                "ordering",
                {"type": "string", "enum": orderings, "default": orderings[0]},
                "With a minus sign: last first.",
            ),
        ]


PARAMETERS: Final = frozenset({"cursor", "page_size", "ordering", "fields"})


def _parameter(name: str, schema: dict, text: str) -> dict:
    return {"name": name, "in": "query", "required": False, "schema": schema, "description": text}


def _one_of(request: Request, orderings: Sequence[str]) -> str:
    asked = request.query_params.get("ordering") or orderings[0]
    if asked.removeprefix("-") not in orderings:
        raise ValidationError({"ordering": f"Choose one of: {', '.join(orderings)}; a minus sign turns it."})
    return asked


def _size(request: Request) -> int:
    text = request.query_params.get("page_size") or str(USUAL_ROWS)
    if not (text.isascii() and text.isdigit() and len(text) <= 5 and 1 <= int(text) <= MOST_ROWS):
        raise ValidationError({"page_size": f"Give 1 to {MOST_ROWS}."})
    return int(text)


def _order(sort: str, key: str) -> list[str]:
    sign = "-" if sort.startswith("-") else ""
    return [sort] if sort.removeprefix("-") in ("id", key) else [sort, f"{sign}{key}"]


def _after(sort: str, key: str, value: object, pk: int) -> Q:
    name, side = sort.removeprefix("-"), "lt" if sort.startswith("-") else "gt"
    if name in ("id", key):
        return Q(**{f"{key}__{side}": pk})
    return Q(**{f"{name}__{side}": value}) | Q(**{name: value, f"{key}__{side}": pk})


def _write(sort: str, row: Model) -> str:
    value = getattr(row, sort.removeprefix("-"))
    shown = value.isoformat() if isinstance(value, date) else value
    return signing.dumps([sort, shown, row.pk], salt=row._meta.label)


def _read(cursor: str, sort: str, model: type[Model]) -> tuple[object, int]:
    try:
        made_for, value, pk = signing.loads(cursor, salt=model._meta.label)
    except (signing.BadSignature, ValueError):
        made_for = None
    if made_for != sort:
        raise ValidationError({"cursor": "This is no cursor of this list and ordering. Begin again without."})
    return model._meta.get_field(sort.removeprefix("-")).to_python(value), pk
