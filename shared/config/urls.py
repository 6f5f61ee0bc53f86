"""Every address, by room."""

from django.urls import include, path

urlpatterns = [
    path("", include("api.health")),
    path("", include("scheduling.urls")),
    path("", include("fleet.urls")),
    path("people/", include("api.people_urls")),
    path("api/", include("api.urls")),
]

handler500 = "api.errors.server_error"
