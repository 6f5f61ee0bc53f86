"""What editing operations share: the row locked, the version named by If-Match, the answer with its ETag."""

from django.db.models import Model, QuerySet
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api.noting import note, told_changes
from api.operations import ListRows, Operation, etag_of, require_match
from api.scope import visible
from fleet.models import AuditArea
from shared.errors import RowProblem

IF_MATCH = OpenApiParameter(
    "If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER, required=True,
    description="The ETag the row was shown with.",
)  # fmt: skip


class EditRow(Operation):
    """Locks a row and lets the edit go on only from the version it names. ``shown_by``: the list it is in."""

    shown_by: type[ListRows]
    before: dict
    """The row as it was shown before the edit."""

    def get_queryset(self) -> QuerySet:
        """Return the rows this call may see."""
        return self.shown_by.queryset.none() if _is_fake(self) else visible(
            self.request, self.shown_by.queryset.all()
        )  # fmt: skip

    def row_to_edit(self, request: Request, pk: int) -> Model:
        """Return the locked row. Raises Http404 or Refusal 428 or 412."""
        row = self.get_queryset().select_for_update(of=("self",)).filter(pk=pk).first()
        if row is None:
            raise Http404
        self.before = self.shown_by.serializer_class(row).data
        require_match(request, self.before)
        return row

    def shown(self, pk: int, status: int = 200) -> Response:
        """Return a row as its list shows it, with its ETag."""
        return shown(self.shown_by, pk, status)

    def changed(self, request: Request, pk: int, what: str, area: AuditArea, about: object) -> Response:
        """Return the row as it stands now; the audit trail has it with its old values and its new."""
        response = self.shown(pk)
        note(request, what, area, about, told_changes(self.before, response.data))
        return response


def shown(shown_by: type[ListRows], pk: int, status: int = 200) -> Response:
    """Return a row as a list shows it, with its ETag."""
    data = shown_by.serializer_class(shown_by.queryset.get(pk=pk)).data
    return Response(data, status=status, headers={"ETag": etag_of(data)})


def given(operation: Operation, request: Request, *, partial: bool = False) -> dict:
    """Return the body's checked values. Raises ValidationError."""
    form: serializers.Serializer = operation.get_serializer(data=request.data, partial=partial)
    form.is_valid(raise_exception=True)
    return form.validated_data


def one_of(request: Request, rows: QuerySet, field: str, what: str, **named: object) -> Model:
    """Return the row a body names among those the caller may see. Raises ValidationError by field."""
    row = visible(request, rows).filter(**named).first()
    if row is None:
        raise ValidationError({field: f"There is no such {what} in your branch."})
    return row


def refuse(problems: list[RowProblem]) -> None:
    """Turn what a recording service refused into refused fields."""
    if problems:
        raise ValidationError({problem.field: f"{problem.message} {problem.remedy}" for problem in problems})


def _is_fake(operation: Operation) -> bool:
    return getattr(operation, "swagger_fake_view", False)
