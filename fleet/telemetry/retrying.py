"""Tries a refused message again, after its cause was mended."""

from datetime import datetime

from fleet.models import DeadLetter, DeadLetterState, Person
from fleet.telemetry import dead_letters
from fleet.telemetry.intake import record
from shared.errors import CannotDo


def retry(letter: DeadLetter, *, by: Person, now: datetime) -> None:
    """Take a message again. Raises CannotDo with the reason when it is refused again."""
    if letter.state == DeadLetterState.TAKEN:
        raise CannotDo("This message was taken already.", remedy="Reload the list.")
    taken = record([dead_letters.message_of(letter)], now=now)
    dead_letters.settle(letter, taken.refused, by=by, now=now)
