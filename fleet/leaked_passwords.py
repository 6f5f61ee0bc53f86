"""Refuses passwords that stand in a list of leaked ones, looked up in a file here; nothing is sent anywhere.

The file holds SHA-1 sums in hexadecimal, one a line and in order, each with or without ``:`` and a count: the
form in which such lists are given away. SHA-1 is the list's choice; nothing is kept or protected by it here.
"""

import hashlib
from pathlib import Path
from typing import Any, BinaryIO, Final

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.utils.translation import gettext

SUM_LENGTH: Final = 40


class NotLeaked:
    """A password validator of Django's form (OWASP ASVS 5.0, 6.2.4 and 6.2.12), where there is a list."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raise ValidationError for a password of the list."""
        del user
        if is_leaked(password, Path(settings.LEAKED_PASSWORDS)):
            raise ValidationError(
                gettext(
                    "This password stands in a list of passwords that were stolen elsewhere, so it is among "
                    "the first to be tried. Choose one that you use nowhere else."
                ),
                code="leaked",
            )

    def get_help_text(self) -> str:
        """Say what is asked."""
        return gettext("Your password can’t be one that was stolen elsewhere before.")


def is_leaked(password: str, path: Path) -> bool:
    """Say whether a password's sum stands in the file: a search by halves, whatever the file's size.

    Raises ImproperlyConfigured when the file can't be read or holds no such sums.
    """
    wanted = hashlib.sha1(password.encode(), usedforsecurity=False).hexdigest().upper().encode()
    try:
        with path.open("rb") as file:
            return _is_in(file, wanted, file.seek(0, 2))
    except OSError as error:
        raise ImproperlyConfigured(
            f"TAPWARD_LEAKED_PASSWORDS points at {path}, which can't be read ({error.strerror}). "
            "Point it at a readable file or unset it."
        ) from error


def _is_in(file: BinaryIO, wanted: bytes, size: int) -> bool:
    low, high = 0, size
    # A line that begins at or before ``low`` is smaller; one that begins at or after ``high`` is not.
    while low < high:
        middle = (low + high) // 2
        found = _first_sum_from(file, middle)
        if found is None or found >= wanted:
            high = middle
        else:
            low = middle + 1
    return _first_sum_from(file, low) == wanted


def _first_sum_from(file: BinaryIO, place: int) -> bytes | None:
    """Return the sum of the first line that begins at a place or after it; None behind the last."""
    file.seek(max(0, place - 1))
    if place:
        file.readline()
    line = file.readline().strip()
    if not line:
        return None
    found = line[:SUM_LENGTH].upper()
    if len(found) < SUM_LENGTH or line[SUM_LENGTH:][:1] not in (b"", b":"):
        raise ImproperlyConfigured(
            "TAPWARD_LEAKED_PASSWORDS points at a file that holds no SHA-1 sums. "
            "One a line, 40 hexadecimal digits, in order."
        )
    return found
