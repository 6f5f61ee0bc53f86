"""Bodies as they arrive: JSON within bounds, and lines that are read later, row by row."""

import json
from typing import Final

from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import BaseParser

MOST_JSON_BYTES: Final = 1024 * 1024


class TooLarge(APIException):
    """Refuses a body that is too long to be read."""

    status_code = 413
    default_detail = "The body is larger than 1 MB."
    remedy = "Send less at a time."


class BoundedJsonParser(BaseParser):
    """Reads JSON (RFC 8259): UTF-8, no NaN or infinity, at most 1 MB, not nested without end."""

    media_type = "application/json"

    def parse(self, stream, media_type=None, parser_context=None) -> object:
        """Return the body as Python values. Raises ParseError, or TooLarge."""
        raw = stream.read(MOST_JSON_BYTES + 1)
        if len(raw) > MOST_JSON_BYTES:
            raise TooLarge
        try:
            return json.loads(raw.decode("utf-8"), parse_constant=_refuse)
        except RecursionError as error:
            raise ParseError("The body is nested too deeply.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}") from error


class JsonLinesParser(BaseParser):
    """One JSON object a line; hands the unread stream on."""

    media_type = "application/x-ndjson"

    def parse(self, stream, media_type=None, parser_context=None) -> object:
        """Return the unread stream."""
        return stream


class JsonLinesAliasParser(JsonLinesParser):
    """The same under its other name."""

    media_type = "application/jsonl"


class CsvParser(JsonLinesParser):
    """Comma-separated values with a header (RFC 4180), unread too."""

    media_type = "text/csv"


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no number in JSON")
