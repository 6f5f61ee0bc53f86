"""Addresses of this room."""

from django.urls import path

from scheduling.views import home

urlpatterns = [
    path("", home.home, name="home"),
]
