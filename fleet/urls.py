"""Addresses of this room: logging in, the own log-in and settings, how we know, how sure we are."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from fleet.assessment import views
from fleet.display import guide
from fleet.people import account_views
from fleet.people import views as people_views

urlpatterns = [
    path("log-in/", people_views.LogIn.as_view(), name="log_in"),
    path("log-in/code/", people_views.second_factor, name="second_factor"),
    path("log-out/", LogoutView.as_view(), name="log_out"),
    path("own-settings/", people_views.own_settings, name="own_settings"),
    path("own/log-in/", account_views.own_log_in, name="own_log_in"),
    path("own/log-in/password/", account_views.change_own_password, name="change_own_password"),
    path("own/log-in/sessions/end/", account_views.end_own_sessions, name="end_own_sessions"),
    path("own/log-in/second-factor/", account_views.set_up_second_factor, name="set_up_second_factor"),
    path("own/log-in/second-factor/remove/", account_views.remove_second_factor, name="remove_second_factor"),
    path("own/log-in/recovery-codes/", account_views.renew_recovery_codes, name="renew_recovery_codes"),
    path("guide/", guide.guide, name="guide"),
    path("guide/<slug:about>/", guide.guide, name="guide_of"),
    path("how-we-know/", views.how_we_know, name="how_we_know"),
    path("how-sure/", views.how_sure, name="how_sure"),
]
