from django.apps import AppConfig


class SchedulingConfig(AppConfig):
    """What to do about it, who does it, and what it earns."""

    name = "scheduling"
    default_auto_field = "django.db.models.BigAutoField"
