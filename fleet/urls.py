"""Addresses of this room: logging in, the own log-in and settings, how we know, how sure we are."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from fleet.assessment import views as assessment_views
from fleet.display import guide
from fleet.people import views

urlpatterns = [
    path("log-in/", views.LogIn.as_view(), name="log_in"),
    path("log-in/code/", views.SecondStep.as_view(), name="second_factor"),
    path("log-in/new-password/<slug:uidb64>/<str:token>/", views.set_password, name="set_password"),
    path("log-out/", LogoutView.as_view(), name="log_out"),
    path("own-settings/", views.my_settings, name="own_settings"),
    path("own/log-in/", views.my_log_in, name="own_log_in"),
    path("own/log-in/password/", views.change_own_password, name="change_own_password"),
    path("own/log-in/sessions/end/", views.end_own_sessions, name="end_own_sessions"),
    path("own/log-in/second-factor/", views.set_up_second_factor, name="set_up_second_factor"),
    path("own/log-in/second-factor/remove/", views.remove_second_factor, name="remove_second_factor"),
    path("own/log-in/recovery-codes/", views.renew_recovery_codes, name="renew_recovery_codes"),
    path("guide/", guide.guide, name="guide"),
    path("guide/<slug:about>/", guide.guide, name="guide_of"),
    path("how-we-know/", assessment_views.methodology, name="how_we_know"),
    path("how-sure/", assessment_views.forecast_accuracy, name="how_sure"),
]
