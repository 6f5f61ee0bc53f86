"""Addresses of this room: logging in, and how we know."""

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from fleet.views import how_we_know

urlpatterns = [
    path(
        "log-in/",
        LoginView.as_view(template_name="log_in.html", redirect_authenticated_user=True),
        name="log_in",
    ),
    path("log-out/", LogoutView.as_view(), name="log_out"),
    path("how-we-know/", how_we_know.how_we_know, name="how_we_know"),
]
