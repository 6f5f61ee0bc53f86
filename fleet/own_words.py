"""Refuses passwords made of words anybody here would guess first: the company, this product, the own name."""

import re
from typing import Any, Final

from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

PRODUCT_WORDS: Final = ("tapward",)
SHORTEST_WORD: Final = 4
SHORTEST_REST: Final = 8
"""So many letters and digits must be left when such words are taken away. *Ours.*"""
_LOOKALIKES: Final = str.maketrans("013457@$!", "oleastasi")


class WithoutOwnWords:
    """A password validator of Django's form (OWASP ASVS 5.0, 6.1.2 and 6.2.11)."""

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
