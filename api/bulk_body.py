"""Takes a long body off the wire: to a file beyond 2 MB, measured, counted and hashed on the way."""

import hashlib
from dataclasses import dataclass
from tempfile import SpooledTemporaryFile
from typing import IO, Final

from api.refusals import Refusal

MOST_ROWS: Final = 100_000
MOST_BYTES: Final = 32 * 1024 * 1024
_IN_MEMORY: Final = 2 * 1024 * 1024
_PIECE: Final = 64 * 1024


@dataclass
class BulkBody:
    """A body that can be read from its beginning."""

    file: IO[bytes]
    body_hash: str
    media_type: str

    def close(self) -> None:
        """Let go of the file."""
        self.file.close()


def take_body(stream: object, media_type: str) -> BulkBody:
    """Return a body read to its end. Raises Refusal 400 for none, 413 for one that is too long."""
    if not hasattr(stream, "read"):
        raise Refusal(400, "The body is empty.", "Send one reading a line.")
    digest = hashlib.sha256(media_type.encode())
    file = SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115
    size = lines = 0
    while piece := stream.read(_PIECE):
        size += len(piece)
        lines += piece.count(b"\n")
        # One more line than rows: CSV has a header.
        if size > MOST_BYTES or lines > MOST_ROWS + 1:
            file.close()
            raise Refusal(
                413,
                f"The body has more than {MOST_ROWS:,} rows or {MOST_BYTES // 1024**2} MB.",
                "Send it in several calls, each with a key of its own.",
            )
        digest.update(piece)
        file.write(piece)
    if not size:
        file.close()
        raise Refusal(400, "The body is empty.", "Send one reading a line.")
    file.seek(0)
    return BulkBody(file, digest.hexdigest(), media_type)
