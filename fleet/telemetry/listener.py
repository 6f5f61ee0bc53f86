"""Listens: collect a batch, save it, only then acknowledge. Lines and databases may go away and come back."""

import logging
import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import Error, InterfaceError, OperationalError, close_old_connections

from fleet.telemetry import dead_letters, last_seen, mapping
from fleet.telemetry.broker import Broker
from fleet.telemetry.dead_letters import Message, Refused
from fleet.telemetry.intake import take
from fleet.telemetry.payload import Unreadable
from shared.messages import message

log = logging.getLogger(__name__)
FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 30.0
LOOK_AT_MAPS_S: Final = 10.0


@dataclass(frozen=True)
class Pace:
    """How a listener collects."""

    batch: int = 500
    gather_s: float = 0.25
    """How long the first message of a batch waits for others. [s]"""


@dataclass
class Tally:
    """What a listener did since it began."""

    messages: int = 0
    recorded: int = 0
    duplicates: int = 0
    refused: int = 0


class Listener:
    """One listener. ``read_clock`` is called once a batch."""

    def __init__(
        self,
        broker: Broker,
        pace: Pace,
        *,
        read_clock: Callable[[], datetime],
        should_stop: Callable[[], bool],
    ) -> None:
        self.tally = Tally()
        self._broker = broker
        self._pace = pace
        self._read_clock = read_clock
        self._should_stop = should_stop
        self._failures = 0
        self._maps_at = float("-inf")

    def run(self) -> Tally:
        """Listen until told to stop; what was saved is acknowledged before leaving."""
        is_up = False
        while not self._should_stop():
            if not is_up:
                is_up = self._connect()
                continue
            is_up = self._broker.turn(self._pace.gather_s)
            if is_up:
                self._look_at_maps()
                self._save_waiting()
        self._broker.leave()
        return self.tally

    def _connect(self) -> bool:
        try:
            self._broker.connect()
        except OSError as error:
            log.warning("The broker can't be reached: %s", error)
            self._wait()
            return False
        self._maps_at = float("-inf")
        return True

    def _look_at_maps(self) -> None:
        """Listen to what the mappings in use name; a changed mapping counts within seconds."""
        if not self._broker.line.is_connected or time.monotonic() - self._maps_at < LOOK_AT_MAPS_S:
            return
        try:
            self._broker.listen_to(mapping.filters(mapping.standing_maps(self._read_clock())))
        except (OperationalError, InterfaceError):
            log.warning("The mappings can't be read now; the database is away.")
            self._wait()
            return
        self._maps_at = time.monotonic()

    def _save_waiting(self) -> None:
        batch = self._broker.line.waiting[: self._pace.batch]
        if not batch:
            return
        try:
            self._save([one.message for one in batch])
        except (OperationalError, InterfaceError) as error:
            # Nothing is acknowledged, so nothing is lost: the broker holds the rest back.
            log.warning("A batch waits, the database is away: %s", error)
            close_old_connections()
            self._wait()
            return
        self._failures = 0
        self._broker.acknowledge(batch)

    def _save(self, messages: Sequence[Message]) -> None:
        now = self._read_clock()
        try:
            taken = take(messages, now=now)
        except (OperationalError, InterfaceError):
            raise
        except (Error, ValueError, ArithmeticError, LookupError, TypeError):
            if len(messages) > 1:
                # One of them is poison: find it, the others are saved.
                for message in messages:
                    self._save([message])
                return
            log.exception("A message could not be saved and goes to the dead letters.")
            self._set_aside(messages[0], now)
            return
        self.tally.messages += taken.messages
        self.tally.recorded += taken.recorded
        self.tally.duplicates += taken.duplicates
        self.tally.refused += len(taken.refused)

    def _set_aside(self, received: Message, now: datetime) -> None:
        why = Unreadable(
            message("It could not be saved; the log says why."),
            remedy=message("Tell whoever runs this server."),
        )
        dead_letters.keep([Refused.because(received, why, "")], now=now)
        last_seen.count_day(now, 1, 0, 0, 1)
        self.tally.messages += 1
        self.tally.refused += 1

    def _wait(self) -> None:
        """Wait longer after each failure, with jitter, so that listeners do not come back all at once."""
        self._failures = min(self._failures + 1, 16)
        longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2**self._failures)
        until = time.monotonic() + random.uniform(longest / 2, longest)
        while time.monotonic() < until and not self._should_stop():
            time.sleep(0.1)
