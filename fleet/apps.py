from django.apps import AppConfig
from django.core.checks import Tags, register
from django.db.models import Field

from fleet.checks import check_database_rights
from fleet.queries.any_of import AnyOf


class FleetConfig(AppConfig):
    """What is installed and how it is doing."""

    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Make ``any_of`` known to every field, and the database's rights to ``check --deploy``."""
        Field.register_lookup(AnyOf)
        register(check_database_rights, Tags.security, deploy=True)
