"""Small helpers that models of both rooms use. Needs Django."""

from django.db import models
from django.db.models import Q


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
