from django.apps import AppConfig

from api.sentences import SENTENCES
from shared.told import know


class ApiConfig(AppConfig):
    """The same rooms for programs."""

    name = "api"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Make what tokens refuse known to pages."""
        know(SENTENCES)
