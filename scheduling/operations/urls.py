"""Addresses of what comes in and goes out by itself: telemetry and webhooks."""

from django.urls import path

from scheduling.operations import telemetry_views, webhook_views

urlpatterns = [
    path("telemetry/", telemetry_views.telemetry, name="telemetry"),
    path("telemetry/maps/new/", telemetry_views.telemetry_map, name="new_telemetry_map"),
    path("telemetry/maps/<slug:name>/", telemetry_views.telemetry_map, name="telemetry_map"),
    path("telemetry/heard/", telemetry_views.last_heard, name="last_heard"),
    path("telemetry/refused/", telemetry_views.dead_letters, name="dead_letters"),
    path("telemetry/refused/settle/", telemetry_views.settle_dead_letters, name="settle_dead_letters"),
    path("telemetry/refused/<int:pk>/", telemetry_views.dead_letter, name="dead_letter"),
    path("webhooks/", webhook_views.webhooks, name="webhooks"),
    path("webhooks/help/", webhook_views.webhook_help, name="webhook_help"),
    path("webhooks/<int:pk>/", webhook_views.webhook, name="webhook"),
    path("webhooks/<int:pk>/new-secret/", webhook_views.rotate_webhook, name="rotate_webhook"),
    path("webhooks/<int:pk>/switch/", webhook_views.switch_webhook, name="switch_webhook"),
    path("webhooks/events/<int:pk>/", webhook_views.webhook_delivery, name="webhook_delivery"),
]
