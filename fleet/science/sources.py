"""How we know: every law the program uses, where it holds and where it comes from, as data for a page."""

from typing import Final

from fleet.science.laws import FLEET_LAWS, LIFE_LAWS, Law, Standing
from fleet.science.laws_water import PERFORMANCE_LAWS, WATER_LAWS
from shared.messages import message

__all__ = ["LAWS", "SHELVES", "Law", "Standing", "law", "laws_of"]

SHELVES: Final[dict[str, tuple[Law, ...]]] = {
    message("Water"): WATER_LAWS,
    message("Performance"): PERFORMANCE_LAWS,
    message("Use, wear and due dates"): LIFE_LAWS,
    message("Learning and money"): FLEET_LAWS,
}
"""Laws under the headings of a page, in its order."""
LAWS: Final[tuple[Law, ...]] = tuple(entry for shelf in SHELVES.values() for entry in shelf)
_BY_KEY: Final = {entry.key: entry for entry in LAWS}


def law(key: str) -> Law:
    """
    Return one law by its key, for a finding that names it.

    Parameters
    ----------
    key : str
        As in ``Law.key``.

    Returns
    -------
    Law
        The entry.

    Raises
    ------
    KeyError
        When there is no such law.
    """
    return _BY_KEY[key]


def laws_of(function: str) -> tuple[Law, ...]:
    """
    Return the laws a function rests on.

    Parameters
    ----------
    function : str
        ``module.function`` in ``fleet.science``.

    Returns
    -------
    tuple of Law
        Empty when none names it.
    """
    return tuple(entry for entry in LAWS if function in entry.used_in)
