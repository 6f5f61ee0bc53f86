"""Addresses of what comes in and goes out by itself: telemetry and webhooks."""

from django.urls import path

from scheduling.views import telemetry, webhooks

urlpatterns = [
    path("telemetry/", telemetry.telemetry, name="telemetry"),
    path("telemetry/maps/new/", telemetry.telemetry_map, name="new_telemetry_map"),
    path("telemetry/maps/<slug:name>/", telemetry.telemetry_map, name="telemetry_map"),
    path("telemetry/heard/", telemetry.last_heard, name="last_heard"),
    path("telemetry/refused/", telemetry.dead_letters, name="dead_letters"),
    path("telemetry/refused/settle/", telemetry.settle_dead_letters, name="settle_dead_letters"),
    path("telemetry/refused/<int:pk>/", telemetry.dead_letter, name="dead_letter"),
    path("webhooks/", webhooks.webhooks, name="webhooks"),
    path("webhooks/help/", webhooks.webhook_help, name="webhook_help"),
    path("webhooks/<int:pk>/", webhooks.webhook, name="webhook"),
    path("webhooks/<int:pk>/new-secret/", webhooks.rotate_webhook, name="rotate_webhook"),
    path("webhooks/<int:pk>/switch/", webhooks.switch_webhook, name="switch_webhook"),
    path("webhooks/events/<int:pk>/", webhooks.webhook_delivery, name="webhook_delivery"),
]
