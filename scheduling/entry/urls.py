"""Addresses of entering by hand."""

from django.urls import path

from scheduling.entry import grid_views, views

urlpatterns = [
    path("", views.enter, name="enter"),
    path("many/", grid_views.enter_grid, name="enter_grid"),
    path("unit/<path:serial>/", views.enter_unit, name="enter_unit"),
]
