"""The kinds of operation there are. One class per operation; an address is made of one or more of them."""

import hashlib
import json
from collections.abc import Callable, Iterable
from typing import ClassVar

from django.db.models import QuerySet
from django.utils.http import parse_etags
from django.views.decorators.csrf import csrf_exempt
from rest_framework.exceptions import ValidationError
from rest_framework.generics import GenericAPIView
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer
from rest_framework.utils.encoders import JSONEncoder
from rest_framework.views import APIView

from api.deprecation import Deprecation
from api.paging import PARAMETERS
from api.permissions import MayDo
from api.refusals import Refusal
from api.scope import visible
from shared.roles import Permission


class Operation(GenericAPIView):
    """One thing a program can ask for. ``needs``: any one of these permissions is enough."""

    needs: ClassVar[tuple[Permission, ...]] = ()
    permission_classes = [MayDo]
    throttle_scope = "write"
    deprecation: ClassVar[Deprecation | None] = None
    """Set on an operation that is to go; the headers of its answers and the schema then say so."""

    def finalize_response(self, request: Request, response: Response, *args: object, **kwargs: object):
        """Mark every answer of an operation on its way out, refusals too."""
        answer = super().finalize_response(request, response, *args, **kwargs)
        if self.deprecation is not None:
            self.deprecation.mark(answer)
        return answer

    def get_queryset(self) -> QuerySet:
        """Return the rows this call may see."""
        rows = super().get_queryset()
        return rows.none() if getattr(self, "swagger_fake_view", False) else visible(self.request, rows)


class ListRows(ListModelMixin, Operation):
    """A list by filter, ordering and page. A query parameter nobody knows is refused, not passed over."""

    orderings: ClassVar[tuple[str, ...]] = ("id",)
    throttle_scope = "read"

    def get_serializer(self, *args: object, **given: object) -> BaseSerializer:
        """Leave out, before anything is read for them, fields that were not asked for."""
        serializer = super().get_serializer(*args, **given)
        row = getattr(serializer, "child", serializer)
        if not getattr(self, "swagger_fake_view", False):
            for name in set(row.fields) - asked_fields(self.request, row.fields):
                row.fields.pop(name)
        return serializer

    def get(self, request: Request) -> Response:
        """Return one page."""
        known = PARAMETERS | set(self.filterset_class.get_filters())
        if unknown := sorted(set(request.query_params) - known):
            text = f"There is no such parameter. Known are: {', '.join(sorted(known))}."
            raise ValidationError({name[:80]: text for name in unknown})
        return self.list(request)


class ShowRow(RetrieveModelMixin, Operation):
    """One row, with its ETag; ``If-None-Match`` spares sending it again.

    ``class ShowSite(ShowRow, of=ListSites)`` sees, reads and shows what the list does.
    """

    throttle_scope = "read"

    def __init_subclass__(cls, of: type[ListRows], **given: object) -> None:
        super().__init_subclass__(**given)
        cls.needs, cls.queryset, cls.serializer_class = of.needs, of.queryset, of.serializer_class

    def get(self, request: Request, pk: int) -> Response:
        """Return the row, or 304. The ETag is the whole row's, also where only some fields are asked."""
        response = self.retrieve(request, pk=pk)
        etag = etag_of(response.data)
        wanted = asked_fields(request, self.get_serializer().fields)
        response.data = {name: value for name, value in response.data.items() if name in wanted}
        if etag in parse_etags(request.headers.get("If-None-Match", "")):
            response = Response(status=304)
        response["ETag"] = etag
        return response


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


def require_match(request: Request, data: dict) -> None:
    """Let an edit go on only when the caller saw what stands now. Raises Refusal 428 or 412."""
    asked = request.headers.get("If-Match")
    if asked is None:
        raise Refusal(428, "Say which version you change.", "Send the ETag you were shown as If-Match.")
    tags = parse_etags(asked)
    if tags != ["*"] and etag_of(data) not in tags:
        raise Refusal(412, "This was changed since you read it.", "Read it again, then decide again.")


def at(*operations: type[Operation]) -> Callable:
    """Return the view of one address from its operations, each for its own HTTP method."""
    by_method = {
        method.upper(): operation
        for operation in operations
        for method in ("get", "post", "put", "patch", "delete")
        if hasattr(operation, method)
    }
    views = {method: operation.as_view() for method, operation in by_method.items()}

    class Address(APIView):
        """Answers for methods that nothing here has."""

        @property
        def allowed_methods(self) -> list[str]:
            return sorted(views)

    other = Address.as_view()

    @csrf_exempt
    def answer(request, *args, **kwargs):
        method = "GET" if request.method == "HEAD" else request.method
        return views.get(method, other)(request, *args, **kwargs)

    answer.cls = Address
    answer.initkwargs = {}
    answer.operations = by_method
    answer.views = views
    return answer
