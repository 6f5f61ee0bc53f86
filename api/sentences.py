"""Sentences of tokens.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("Your role may not make tokens."),
    gettext_noop("Ask the owner for another role."),
    gettext_noop("A token may do no more than you, and something at least."),
    gettext_noop("Choose from what is on offer."),
    gettext_noop("A token can't last %(days)s days."),
    gettext_noop("Give 1 to %(MOST_DAYS)s days."),
    gettext_noop("The token has no name."),
    gettext_noop("Name the program that will use it."),
    gettext_noop("You have %(MOST_STANDING)s tokens already."),
    gettext_noop("Revoke one that is not used."),
    gettext_noop("token made"),
    gettext_noop("token revoked"),
)  # fmt: skip
