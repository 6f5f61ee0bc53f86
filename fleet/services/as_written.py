"""The words of choices as the code has them: what is stored speaks English, whoever asked for it."""

from functools import cache

from django.db.models import TextChoices
from django.utils import translation


@cache
def as_written(choices: type[TextChoices]) -> dict[str, str]:
    """Return the label of each value, in no language but the code's own."""
    with translation.override(None):
        return {one.value: str(one.label) for one in choices}
