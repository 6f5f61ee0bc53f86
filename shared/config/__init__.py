"""Settings, addresses, queue and web door; imported by nobody. Loading it sets the Celery app."""

from shared.config.celery import app as celery_app

__all__ = ["celery_app"]
