from django.apps import AppConfig


class ApiConfig(AppConfig):
    """The same rooms for programs."""

    name = "api"
