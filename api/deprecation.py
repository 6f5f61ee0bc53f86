"""Marks an operation that is to go: headers on each of its answers and ``deprecated`` in the schema.

One line in the operation is enough: ``deprecation = Deprecation(date(2027, 1, 1), date(2028, 1, 1), "…")``.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Final

from django.http.response import HttpResponseBase
from django.utils.http import http_date

LEAST_DAYS: Final = 365
"""So long an operation works after it was marked; the page of the API promises it."""
POLICY: Final = "/api/docs/"


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
        response["Deprecation"] = f"@{_seconds(self.since)}"
        response["Sunset"] = http_date(_seconds(self.gone_on))
        response["Link"] = ", ".join(
            f'<{POLICY}>; rel="{relation}"; type="text/html"' for relation in ("deprecation", "sunset")
        )

    def words(self) -> str:
        """Say it to a reader of the schema."""
        return f"Deprecated since {self.since}, gone on {self.gone_on}. {self.instead}"


def _seconds(day: date) -> int:
    return int(datetime.combine(day, time(), UTC).timestamp())
