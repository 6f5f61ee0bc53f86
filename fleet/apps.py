from django.apps import AppConfig


class FleetConfig(AppConfig):
    """What is installed and how it is doing."""

    name = "fleet"
    default_auto_field = "django.db.models.BigAutoField"
