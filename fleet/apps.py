from django.apps import AppConfig
from django.db.models import Field

from fleet.queries.any_of import AnyOf


class FleetConfig(AppConfig):
    """What is installed and how it is doing."""

    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Make ``any_of`` known to every field."""
        Field.register_lookup(AnyOf)
