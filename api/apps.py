from django.apps import AppConfig


class ApiConfig(AppConfig):
    """The same rooms for programs."""

    name = "api"
    default_auto_field = "django.db.models.BigAutoField"
