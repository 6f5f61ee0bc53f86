"""Words a sentence is made of that stand alone in the code, written here by hand."""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("%(name)s level"),
    gettext_noop("life"),
    gettext_noop("season"),
    gettext_noop("weekdays"),
    gettext_noop("published"),
    gettext_noop("Permeate total"),
    gettext_noop("Feed total"),
    gettext_noop("Concentrate total"),
    gettext_noop("Sediment inlet"),
    gettext_noop("Sediment outlet"),
)  # fmt: skip
