"""The standing clock, and the counters of calls emptied."""

import pytest
from django.core.cache import cache

from tests import factories as make
from tests.api.rows import Caller, Everything


@pytest.fixture(autouse=True)
def _standing_clock(time_machine):
    time_machine.move_to(make.NOW, tick=False)
    cache.clear()


@pytest.fixture
def here(db):
    """One of each thing in one branch."""
    return Everything()


@pytest.fixture
def planner(here):
    """A planner of that branch with a token for all a planner may."""
    return Caller(make.person("planner", branch=here.branch))
