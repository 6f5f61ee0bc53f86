"""Decimal money in one company currency. Never float."""

from decimal import ROUND_HALF_UP, Decimal
from typing import Final

CENT: Final = Decimal("0.01")


def to_cents(amount: Decimal) -> Decimal:
    """Round half up to the cent, as an invoice does. Raises TypeError for a float."""
    if not isinstance(amount, Decimal):
        raise TypeError(f"Money is Decimal, not {type(amount).__name__}.")
    return amount.quantize(CENT, rounding=ROUND_HALF_UP)


def split_cents(amount: Decimal, weights: list[Decimal]) -> list[Decimal]:
    """Split an amount by weights so that the pieces add up to it to the cent.

    Largest remainders get the left-over cents, earlier pieces first on a tie.
    Raises ValueError when there is no positive weight.
    """
    total_weight = sum(weights, Decimal(0))
    if not weights or total_weight <= 0 or any(weight < 0 for weight in weights):
        raise ValueError("Splitting money needs weights of zero or more with a positive sum.")
    whole = to_cents(amount)
    sign = -1 if whole < 0 else 1
    cents = int(abs(whole) / CENT)
    exact = [Decimal(cents) * weight / total_weight for weight in weights]
    floors = [int(share) for share in exact]
    order = sorted(range(len(weights)), key=lambda i: (floors[i] - exact[i], i))
    for i in order[: cents - sum(floors)]:
        floors[i] += 1
    return [sign * CENT * floor for floor in floors]
