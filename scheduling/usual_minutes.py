"""How long work takes before anybody has timed it."""

from typing import Final

from scheduling.models import OrderKind

SET_UP_MINUTES: Final = 10
"""Isolate, lock out, prove zero pressure, and watch the joints afterwards. *Common practice.*"""
VISIT_MINUTES: Final = {
    OrderKind.PERFORMANCE_DECAY: 50,
    OrderKind.PLAN_VISIT: 30,
    OrderKind.FEED_TEST: 15,
    OrderKind.READING: 5,
    OrderKind.ONE_OFF: 30,
}
"""Work beside the set-up, where no part tells its own. *Common practice*, to be fitted to close-outs."""
DEFAULT_CHANGE_MINUTES: Final = 20
