"""Password validators: no leaked passwords, and none made of words anybody here would guess first.

Leaked ones are looked up in a file here; nothing is sent anywhere. It holds SHA-1 sums in hexadecimal, one a
line and in order, each with or without ``:`` and a count: the form in which such lists are given away. SHA-1
is the list's choice; nothing is kept or protected by it here.
"""

import hashlib
import re
from bisect import bisect_left
from pathlib import Path
from typing import Any, BinaryIO, Final

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.utils.translation import gettext

SUM_LENGTH: Final = 40
PRODUCT_WORDS: Final = ("tapward",)
SHORTEST_WORD: Final = 4
SHORTEST_REST: Final = 8
"""So many letters and digits must be left when such words are taken away. *Ours.*"""
_BEHIND_THE_LAST: Final = b"~"
_LOOKALIKES: Final = str.maketrans("013457@$!", "oleastasi")


class NotLeaked:
    """OWASP ASVS 5.0, 6.2.4 and 6.2.12, where there is a list."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raise ValidationError for a password of the list."""
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


class WithoutOwnWords:
    """OWASP ASVS 5.0, 6.1.2 and 6.2.11: the company, this product, the own name."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raise ValidationError when little is left beside words of the company, product and person."""
        rest = _plain(password)
        found = [word for word in own_words(user) if word in rest]
        for word in found:
            rest = rest.replace(word, "")
        if found and len(rest) < SHORTEST_REST:
            raise ValidationError(
                gettext(
                    "The password is little more than a word people here would guess (company, product, "
                    "own name). Add words that have nothing to do with them."
                ),
                code="own_words",
            )

    def get_help_text(self) -> str:
        """Say what is asked."""
        return gettext(
            "Your password can’t be little more than the company’s, this product’s or your own name."
        )


def is_leaked(password: str, path: Path) -> bool:
    """Say whether a password's sum stands in the file: a search by halves, whatever the file's size.

    Raises ImproperlyConfigured when the file can't be read or holds no such sums.
    """
    wanted = hashlib.sha1(password.encode(), usedforsecurity=False).hexdigest().upper().encode()
    try:
        with path.open("rb") as file:
            places = range(file.seek(0, 2))
            first = bisect_left(places, wanted, key=lambda place: _first_sum_from(file, place))
            return _first_sum_from(file, first) == wanted
    except OSError as error:
        raise ImproperlyConfigured(
            f"TAPWARD_LEAKED_PASSWORDS points at {path}, which can't be read ({error.strerror}). "
            "Point it at a readable file or unset it."
        ) from error


def _first_sum_from(file: BinaryIO, place: int) -> bytes:
    """Return the sum of the first line that begins at a place or after it; past the last a greater one."""
    file.seek(max(0, place - 1))
    if place:
        file.readline()
    line = file.readline().strip()
    if not line:
        return _BEHIND_THE_LAST
    found = line[:SUM_LENGTH].upper()
    if len(found) < SUM_LENGTH or line[SUM_LENGTH:][:1] not in (b"", b":"):
        raise ImproperlyConfigured(
            "TAPWARD_LEAKED_PASSWORDS points at a file that holds no SHA-1 sums. "
            "One a line, 40 hexadecimal digits, in order."
        )
    return found


def own_words(user: Any) -> list[str]:
    """Return the words, longest first, in small letters without anything else."""
    texts = [settings.COMPANY_NAME, *PRODUCT_WORDS]
    if user is not None:
        texts += [user.username, user.first_name, user.last_name, user.email.partition("@")[0]]
    parts = [part for text in texts for part in (text, *re.split(r"\W+", text))]
    words = {_plain(part) for part in parts}
    return sorted((word for word in words if len(word) >= SHORTEST_WORD), key=lambda word: (-len(word), word))


def _plain(text: str) -> str:
    return re.sub(r"[\W_]", "", text.casefold().translate(_LOOKALIKES))
