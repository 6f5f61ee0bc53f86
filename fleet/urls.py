"""Addresses of this room: logging in, the own log-in and settings, how we know, how sure we are."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from fleet.views import calibration, guide, how_we_know, log_in, own_log_in, own_settings, second_factor

urlpatterns = [
    path("log-in/", log_in.LogIn.as_view(), name="log_in"),
    path("log-in/code/", second_factor.second_factor, name="second_factor"),
    path("log-out/", LogoutView.as_view(), name="log_out"),
    path("own-settings/", own_settings.own_settings, name="own_settings"),
    path("own/log-in/", own_log_in.own_log_in, name="own_log_in"),
    path("own/log-in/password/", own_log_in.change_own_password, name="change_own_password"),
    path("own/log-in/sessions/end/", own_log_in.end_own_sessions, name="end_own_sessions"),
    path("own/log-in/second-factor/", own_log_in.set_up_second_factor, name="set_up_second_factor"),
    path("own/log-in/second-factor/remove/", own_log_in.remove_second_factor, name="remove_second_factor"),
    path("own/log-in/recovery-codes/", own_log_in.renew_recovery_codes, name="renew_recovery_codes"),
    path("guide/", guide.guide, name="guide"),
    path("guide/<slug:about>/", guide.guide, name="guide_of"),
    path("how-we-know/", how_we_know.how_we_know, name="how_we_know"),
    path("how-sure/", calibration.how_sure, name="how_sure"),
]
