"""Addresses of entering by hand."""

from django.urls import path

from scheduling.entry import views

urlpatterns = [
    path("", views.enter, name="enter"),
    path("unit/<path:serial>/", views.enter_unit, name="enter_unit"),
]
