"""Lets a test go on after a refusal, as long as it names its remedy."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from shared.errors import DomainError


@contextmanager
def may_refuse() -> Iterator[None]:
    """Pass over a refusal with a remedy; a refusal without one fails the test."""
    try:
        yield
    except DomainError as refusal:
        if not refusal.remedy:
            pytest.fail(f"Refused without a remedy: {refusal}")
