"""The form in which each law of the science states itself, for a page to render."""

from dataclasses import dataclass
from enum import StrEnum


class Standing(StrEnum):
    """How well a law is founded. The value is what a page shows."""

    PUBLISHED = "published"
    """In a document that was read; its name is the source."""
    COMMON_PRACTICE = "common practice"
    """What the trade does; no document."""
    FROM_MEMORY = "value from memory"
    """In a named document that was not read again; checked against something else where the text says so."""
    OURS = "our own choice"
    """Decided here, for the reason given."""


@dataclass(frozen=True)
class Law:
    """One law: what it says, where it holds, where it comes from."""

    key: str
    """Short name for links, lower case with hyphens."""
    name: str
    equation: str
    """As a person would redo it by hand, or the rule in words."""
    used_in: tuple[str, ...]
    """``module.function`` in ``fleet.science``."""
    valid_range: str
    outside_range: str
    """What the program does outside the range."""
    source: str
    standing: Standing
