"""Addresses of this room: logging in, a person's own settings, and how we know, how sure we are."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from fleet.views import calibration, how_we_know, log_in, own_settings

urlpatterns = [
    path("log-in/", log_in.LogIn.as_view(), name="log_in"),
    path("log-out/", LogoutView.as_view(), name="log_out"),
    path("own-settings/", own_settings.own_settings, name="own_settings"),
    path("how-we-know/", how_we_know.how_we_know, name="how_we_know"),
    path("how-sure/", calibration.how_sure, name="how_sure"),
]
