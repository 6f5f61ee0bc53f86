"""The parents of every expected refusal. No Django."""

from dataclasses import dataclass

from shared.messages import joined


class DomainError(Exception):
    """A command that can't be carried out. Says what is wrong and what would cure it."""

    def __init__(self, message: str, *, remedy: str = "", field: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy
        self.field = field

    @property
    def sentence(self) -> str:
        """What is wrong and the remedy, for a page to translate."""
        return joined(" ", (self.message, self.remedy))

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


@dataclass(frozen=True)
class RowProblem:
    """One thing wrong with one cell of an input: where, what, and the remedy."""

    sheet: str
    row: int
    field: str
    value: str
    message: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.sheet} row {self.row}, {self.field} = {self.value!r}"
        return f"{place}: {self.message} {self.remedy}".strip()
