"""What operations share: lists and rows by scope, edits from a named version, the trail of changes.

A subject's ViewSet names its rows, filter and orderings; a write is a method under ``@operation``.
"""

import functools
import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import ClassVar, Final

from django.db import transaction
from django.db.models import Model, QuerySet
from django.http import Http404
from django.http.response import HttpResponseBase
from django.utils import timezone
from django.utils.http import http_date, parse_etags
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer, ModelSerializer, Serializer
from rest_framework.utils.encoders import JSONEncoder
from rest_framework.viewsets import GenericViewSet

from api.authentication import CallRate
from api.errors import Refusal
from api.models import ApiToken
from api.paging import PARAMETERS
from api.permissions import HasPermission, for_user
from fleet.models import AuditArea
from fleet.people import audit
from fleet.people.audit import Actor
from shared.messages import message
from shared.roles import Permission

IF_MATCH: Final = OpenApiParameter(
    "If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER, required=True,
    description="The ETag the row was shown with.",
)  # fmt: skip
LEAST_DAYS: Final = 365
"""So long an operation works after it was marked as deprecated; the page of the API promises it."""


@dataclass(frozen=True)
class Deprecation:
    """From which day an operation is on its way out, on which day it goes (both at 00:00 UTC), what instead.

    Raises ValueError for less time than the policy promises.
    """

    since: date
    gone_on: date
    instead: str

    def __post_init__(self) -> None:
        if (self.gone_on - self.since).days < LEAST_DAYS:
            raise ValueError(f"An operation works {LEAST_DAYS} days at least after it was marked.")

    def mark(self, response: HttpResponseBase) -> None:
        """Say it in an answer: header Deprecation (RFC 9745) and Sunset (RFC 8594), each with its link."""
        since, gone_on = (
            int(datetime.combine(day, time(), UTC).timestamp()) for day in (self.since, self.gone_on)
        )
        response["Deprecation"] = f"@{since}"
        response["Sunset"] = http_date(gone_on)
        response["Link"] = ", ".join(
            f'</api/docs/>; rel="{relation}"; type="text/html"' for relation in ("deprecation", "sunset")
        )

    def __str__(self) -> str:
        return f"Deprecated since {self.since}, gone on {self.gone_on}. {self.instead}"


class ListViewSet(ListModelMixin, GenericViewSet):
    """A list by filter, ordering and page. A query parameter nobody knows is refused, not passed over.

    ``needs``: any one of these permissions is enough to read.
    """

    needs: ClassVar[tuple[Permission, ...]]
    orderings: ClassVar[tuple[str, ...]] = ("id",)
    permission_classes = [HasPermission]
    lookup_value_converter = "int"
    throttle_scope = ""
    deprecated: ClassVar[dict[str, Deprecation]] = {}
    """Actions that are to go; the headers of their answers and the schema then say so."""
    before: dict
    """The row as it was shown before the edit."""
    throttles: Sequence[CallRate] = ()
    """What counted this call; none where it was refused before."""

    @property
    def allowed_methods(self) -> list[str]:
        """Return the methods somebody made."""
        return sorted(method.upper() for method in self.action_map if method != "head")

    def get_throttles(self) -> list:
        """Count reads and writes apart."""
        self.throttle_scope = self.throttle_scope or (
            "read" if self.request.method in SAFE_METHODS else "write"
        )
        self.throttles = super().get_throttles()
        return self.throttles

    def get_queryset(self) -> QuerySet:
        """Return the rows this call may see."""
        rows = super().get_queryset()
        return rows.none() if getattr(self, "swagger_fake_view", False) else for_user(self.request, rows)

    def get_serializer(self, *args: object, **given: object) -> BaseSerializer:
        """Leave out, before anything is read for them, fields of a list that were not asked for."""
        serializer = super().get_serializer(*args, **given)
        if self.action == "list" and not getattr(self, "swagger_fake_view", False):
            row = getattr(serializer, "child", serializer)
            for name in set(row.fields) - asked_fields(self.request, row.fields):
                row.fields.pop(name)
        return serializer

    def list(self, request: Request, *args: object, **named: object) -> Response:
        """Return one page."""
        known = PARAMETERS | set(self.filterset_class.get_filters())
        if unknown := sorted(set(request.query_params) - known):
            text = f"There is no such parameter. Known are: {', '.join(sorted(known))}."
            raise ValidationError({name[:80]: text for name in unknown})
        if empty := sorted(name for name, value in request.query_params.items() if not value.strip()):
            raise ValidationError(dict.fromkeys(empty, "Give a value, or leave the parameter away."))
        return super().list(request)

    def finalize_response(self, request: Request, response: Response, *args: object, **named: object):
        """Say in every answer, refusals too, how many calls are left, and what is on its way out."""
        answer = super().finalize_response(request, response, *args, **named)
        for throttle in self.throttles:
            for name, value in throttle.headers().items():
                answer[name] = value
        if mark := self.deprecated.get(self.action):
            mark.mark(answer)
        return answer

    def row_to_edit(self, pk: int) -> Model:
        """Return the locked row. Raises Http404, or Refusal 428 or 412 by the version If-Match names."""
        # Locked alone: PostgreSQL drops a joined row that changed while it waited.
        list(self.queryset.model._base_manager.select_for_update().filter(pk=pk).values_list("pk"))
        row = self.get_queryset().filter(pk=pk).first()
        if row is None:
            raise Http404
        self.before = self.as_shown(row)
        asked = self.request.headers.get("If-Match")
        if asked is None:
            raise Refusal(428, "Say which version you change.", "Send the ETag you were shown as If-Match.")
        tags = parse_etags(asked)
        if tags != ["*"] and etag_of(self.before) not in tags:
            raise Refusal(412, "This was changed since you read it.", "Read it again, then decide again.")
        return row

    def one_of(self, rows: QuerySet, field: str, what: str, **named: object) -> Model:
        """Return the row a body names among those the caller may see. Raises ValidationError by field."""
        row = for_user(self.request, rows).filter(**named).first()
        if row is None:
            raise ValidationError({field: f"There is no such {what} in your branch."})
        return row

    def as_shown(self, row: Model) -> dict:
        """Return a row as the list shows it."""
        return self.serializer_class(row).data

    @property
    def actor(self) -> Actor:
        """Return who acts now."""
        return Actor(self.request.user, timezone.now())

    def note(self, what: str, area: AuditArea, about: object, detail: str = "") -> None:
        """Write into the trail who changed what, by which token. Work orders have a history of their own."""
        with audit.by_way_of(self.way):
            self.actor.note(what, area=area, about=about, detail=detail)

    @property
    def way(self) -> str:
        """By what the caller came in, for the trail."""
        auth = self.request.auth
        if isinstance(auth, ApiToken):
            return message("token {name}", name=auth.name)
        return message("API in the browser")

    def changes(self, pk: int) -> str:
        """Return what differs between a row as it was shown and as it is now: ``name: old → new``."""
        now = self.as_shown(self.queryset.get(pk=pk))
        changed = [name for name in now if self.before.get(name) != now[name]]
        return "; ".join(f"{name}: {self.before.get(name)!s} → {now[name]!s}" for name in changed)


class RowViewSet(RetrieveModelMixin, ListViewSet):
    """A list, and one row of it with its ETag; ``If-None-Match`` spares sending it again."""

    shows: ClassVar[str]
    """What one row is, for the schema."""

    def retrieve(self, request: Request, *args: object, **named: object) -> Response:
        """Return the row, or 304. The ETag is the whole row's, also where only some fields are asked."""
        response = super().retrieve(request)
        etag = etag_of(response.data)
        wanted = asked_fields(request, self.get_serializer().fields)
        response.data = {name: value for name, value in response.data.items() if name in wanted}
        if etag in parse_etags(request.headers.get("If-None-Match", "")):
            response = Response(status=304)
        response["ETag"] = etag
        return response


def operation(
    name: str,
    needs: Permission,
    takes: type[Serializer],
    gives: type[Serializer],
    *,
    edits: bool = True,
    at: str = "",
    status: int = 200,
) -> Callable:
    """
    Make a method an operation that writes, in one transaction.

    Parameters
    ----------
    name
        Its id in the schema.
    needs
        The permission it asks for.
    takes, gives
        Serializers of the body and of the answer.
    edits
        The method is handed the locked row, whose version If-Match must name, and the body's values; without,
        the values alone.
    at
        The rest of the address behind the row's key. A PATCH changes the fields it names.
    status
        Of the answer: the row whose key the method returns, or the dict it returns.
    """

    def decorate(method: Callable) -> Callable:
        @transaction.atomic
        @functools.wraps(method)
        def handler(self: ListViewSet, request: Request, pk: int | None = None) -> Response:
            rows = [self.row_to_edit(pk)] if edits else []
            body = takes(data=request.data, partial=issubclass(takes, ModelSerializer))
            body.is_valid(raise_exception=True)
            with audit.by_way_of(self.way):
                done = method(self, *rows, body.validated_data)
            if isinstance(done, dict):
                return Response(done, status=status)
            row = self.as_shown(self.queryset.get(pk=done))
            return Response(row, status=status, headers={"ETag": etag_of(row)})

        handler.needs = (needs,)
        if at:
            handler = action(detail=True, methods=["post"], url_path=at)(handler)
        parameters = [IF_MATCH] if edits else []
        return extend_schema(
            operation_id=name, request=takes, responses={status: gives}, parameters=parameters
        )(handler)

    return decorate


def asked_fields(request: Request, known: Iterable[str]) -> set[str]:
    """Return the fields asked for by ``fields``, all without it; a row's key is always there."""
    names = list(known)
    asked = request.query_params.get("fields")
    if not asked:
        return set(names)
    wanted = {name.strip() for name in asked.split(",")}
    if wanted - set(names):
        raise ValidationError({"fields": f"Known are: {', '.join(names)}; a comma between."})
    return wanted | {names[0]}


def etag_of(data: dict) -> str:
    """Return the strong ETag of a row as it is shown."""
    text = json.dumps(data, cls=JSONEncoder, sort_keys=True, ensure_ascii=True)
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'
