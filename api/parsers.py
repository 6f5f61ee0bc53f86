"""Bodies as they arrive: JSON within bounds, and lines that are read later, row by row."""

import json
from typing import Final

from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser

from api.refusals import Refusal

MOST_JSON_BYTES: Final = 1024 * 1024


class BoundedJsonParser(BaseParser):
    """Reads JSON (RFC 8259): UTF-8, no NaN or infinity, at most 1 MB, not nested without end."""

    media_type = "application/json"

    def parse(self, stream, media_type=None, parser_context=None) -> object:
        """Return the body as Python values. Raises ParseError, or Refusal 413."""
        raw = stream.read(MOST_JSON_BYTES + 1)
        if len(raw) > MOST_JSON_BYTES:
            raise Refusal(413, "The body is larger than 1 MB.", "Send less at a time.")
        try:
            return json.loads(raw.decode("utf-8"), parse_constant=_refuse)
        except RecursionError as error:
            raise ParseError("The body is nested too deeply.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}") from error


class _Untouched(BaseParser):
    """Hands the stream on."""

    def parse(self, stream, media_type=None, parser_context=None) -> object:
        """Return the unread stream."""
        return stream


class JsonLinesParser(_Untouched):
    """One JSON object a line."""

    media_type = "application/x-ndjson"


class JsonLinesAliasParser(_Untouched):
    """The same under its other name."""

    media_type = "application/jsonl"


class CsvParser(_Untouched):
    """Comma-separated values with a header (RFC 4180)."""

    media_type = "text/csv"


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no number in JSON")
