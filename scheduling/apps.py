from django.apps import AppConfig

from scheduling.sentences import close_outs, planning, routes, services, steps, workbook
from shared.told import know


class SchedulingConfig(AppConfig):
    """What to do about it, who does it, and what it earns."""

    name = "scheduling"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Make this room's sentences known to pages."""
        know((*planning.SENTENCES, *routes.SENTENCES, *services.SENTENCES))
        know((*close_outs.SENTENCES, *steps.SENTENCES, *workbook.SENTENCES))
