"""One JSON shape for every refusal: problem details, RFC 9457."""

import sys
from collections.abc import Iterator

import kombu.exceptions
import redis
from django.core.exceptions import PermissionDenied
from django.db import InterfaceError, OperationalError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.views import defaults
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import exception_handler

from shared.errors import DomainError

CONTENT_TYPE = "application/problem+json"
AWAY = (OperationalError, InterfaceError, redis.ConnectionError, kombu.exceptions.OperationalError)
"""What is raised where the database or the queue does not answer."""
AGAIN_AFTER_S = 30
MOST_FIELDS = 100
"""More would only repeat the same mistake."""


class Refusal(exceptions.APIException):
    """A refusal with a status of its own and a remedy, where DRF has none that fits."""

    def __init__(self, status: int, title: str, remedy: str = "") -> None:
        super().__init__(title)
        self.status_code = status
        self.remedy = remedy


def as_problem(error: Exception, context: dict) -> Response | None:
    """Turn an expected refusal into problem details; leave anything else to Django."""
    if isinstance(error, DomainError):
        return problem(409, error.message, remedy=error.remedy, fields=_one_field(error))
    if isinstance(error, Http404):
        error = exceptions.NotFound()
    elif isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    response = exception_handler(error, context)
    if response is None:
        return None
    detail = response.data
    if isinstance(error, exceptions.ValidationError):
        fields = [{"field": path, "message": text} for path, text in _flatten(detail)][:MOST_FIELDS]
        body = problem(400, "Some fields are not right.", remedy="Mend the fields listed.", fields=fields)
    else:
        text = detail.get("detail", error.__class__.__name__) if isinstance(detail, dict) else str(detail)
        body = problem(response.status_code, str(text), remedy=getattr(error, "remedy", ""))
    for name, value in response.headers.items():
        if name.lower() != "content-type":
            body[name] = value
    return body


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer what nobody expected: problem details under /api/, the page of failures elsewhere.

    Nothing of the failure itself is told; it is in the server's log under the request's id. Where database or
    queue is away, it is 503 with the time to try again.
    """
    is_away = isinstance(sys.exc_info()[1], AWAY)
    if request.path.startswith("/api/"):
        body = {
            "type": "about:blank",
            "title": "The database or the queue does not answer." if is_away else "This failed on our side.",
            "status": 503 if is_away else 500,
            "remedy": "Send the same again later. If it fails again, tell whoever runs this server.",
        }
        answer: HttpResponse = JsonResponse(body, content_type=CONTENT_TYPE)
    else:
        answer = defaults.server_error(request)
    answer.status_code = 503 if is_away else 500
    if is_away:
        answer.headers["Retry-After"] = str(AGAIN_AFTER_S)
    return answer


def problem(status: int, title: str, *, remedy: str = "", fields: list | None = None) -> Response:
    """Build one problem-details answer."""
    body = {"type": "about:blank", "title": title, "status": status}
    if remedy:
        body["remedy"] = remedy
    if fields:
        body["fields"] = fields
    return Response(body, status=status, content_type=CONTENT_TYPE)


def _one_field(error: DomainError) -> list:
    return [{"field": error.field, "message": error.message}] if error.field else []


def _flatten(detail: object, path: str = "") -> Iterator[tuple[str, str]]:
    """Yield (path, text) for nested validation errors."""
    if isinstance(detail, dict):
        for key, value in detail.items():
            yield from _flatten(value, f"{path}.{key}" if path else str(key))
    elif isinstance(detail, list):
        for index, value in enumerate(detail):
            nested = isinstance(value, dict | list)
            yield from _flatten(value, f"{path}[{index}]" if nested else path)
    else:
        yield path, str(detail)
