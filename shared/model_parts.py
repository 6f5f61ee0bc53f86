"""Small helpers that models of both rooms use. Needs Django."""

from dataclasses import dataclass

from django.apps import apps
from django.db import models
from django.db.models import Q


@dataclass(frozen=True)
class History:
    """That a table is only added to; a model says so as ``history``.

    The web's log-in may neither update nor delete its rows but for the columns named here, and each row is
    sealed once (``fleet.database.history``). A sealed column keeps its name and meaning for good.
    """

    changeable: tuple[str, ...] = ()
    """What may still change: texts that name people, which give way to a mark, and being taken back."""
    unsealed: tuple[str, ...] = ()
    """What the web's log-in may not change either, but the table's owner may, for an erased person."""

    def sealed(self, model: type[models.Model]) -> list[str]:
        """Return the columns of a table that never change, its key aside."""
        left_out = {*self.changeable, *self.unsealed}
        return [
            field.attname
            for field in model._meta.concrete_fields
            if not field.primary_key and field.name not in left_out
        ]


def history_models() -> list[type[models.Model]]:
    """Return the tables that are history, by name."""
    found = [model for model in apps.get_models() if isinstance(getattr(model, "history", None), History)]
    return sorted(found, key=lambda model: model._meta.db_table)


def known_values(field: str, choices: type[models.TextChoices], name: str) -> models.CheckConstraint:
    """Return the constraint that keeps a column to its choices, also for ``update()``."""
    return models.CheckConstraint(
        condition=Q(**{f"{field}__in": list(choices.values)}),
        name=name,
        violation_error_message=f"{field} must be one of: {', '.join(choices.values)}.",
    )


def both_or_neither(first: str, second: str, name: str) -> models.CheckConstraint:
    """Return the constraint that two nullable columns are set together."""
    return models.CheckConstraint(
        condition=Q(**{f"{first}__isnull": True, f"{second}__isnull": True})
        | Q(**{f"{first}__isnull": False, f"{second}__isnull": False}),
        name=name,
        violation_error_message=f"{first} and {second} go together: fill in both or neither.",
    )


def at_least(field: str, lowest: float, name: str) -> models.CheckConstraint:
    """Return the constraint that a number, when given, is not below a bound."""
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__gte": lowest}),
        name=name,
        violation_error_message=f"{field} must be {lowest:g} or more.",
    )


def between(field: str, lowest: float, highest: float, name: str) -> models.CheckConstraint:
    """Return the constraint that a number, when given, lies between two bounds."""
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__gte": lowest, f"{field}__lte": highest}),
        name=name,
        violation_error_message=f"{field} must be between {lowest:g} and {highest:g}.",
    )
