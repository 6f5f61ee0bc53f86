"""Addresses for watching machines, at the root where they look for them."""

from django.urls import path

from api import health

urlpatterns = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("metrics", health.metrics, name="metrics"),
]
