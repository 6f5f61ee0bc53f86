from django.apps import AppConfig
from django.core.checks import Tags, register
from django.db.models import Field

from fleet.checks import check_database_rights, check_log_ins
from fleet.database.columns import AnyOf


class FleetConfig(AppConfig):
    """What is installed and how it is doing."""

    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Make known ``any_of`` to fields, rights and log-ins to ``check --deploy``."""
        Field.register_lookup(AnyOf)
        register(check_database_rights, Tags.security, deploy=True)
        register(check_log_ins, Tags.security, deploy=True)
