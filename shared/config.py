"""The wiring knows every room; no room imports it. Loading it makes the Celery app the current one."""

from shared.config.celery import app as celery_app

__all__ = ["celery_app"]
