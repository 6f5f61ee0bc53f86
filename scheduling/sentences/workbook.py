"""Sentences of refused rows of plans, prices and shifts.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("A usual week needs %(missing)s too."),
    gettext_noop("Fill it in, or leave all three blank."),
    gettext_noop("The end is not after the beginning."),
    gettext_noop("Write hours of one day, e.g. 08:00 to 16:30."),
    gettext_noop("The last day is before the first."),
    gettext_noop("Correct one of the two dates."),
    gettext_noop("Add a row to the sheet plan_terms, with the day it changes."),
    gettext_noop("Row %(number)s says otherwise of the same plan."),
    gettext_noop("Rows of one plan differ in price and price_from_on only."),
    gettext_noop("The plan ends before it starts."),
    gettext_noop("ends_on is the first day not covered."),
    gettext_noop("%(serial)s does not stand at site %(code)s."),
    gettext_noop("Correct the site or the treatment unit."),
    gettext_noop("Row %(number)s has the price of that day already."),
    gettext_noop("Give a new price a later price_from_on."),
    gettext_noop("Depends on another row of this plan, which was refused."),
    gettext_noop("Correct that row first."),
    gettext_noop("The price from %(row)s on is %(amount)s already."),
    gettext_noop("A price is not overwritten: add a row with a later price_from_on."),
)  # fmt: skip
