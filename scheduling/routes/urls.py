"""Addresses around a plan: moves, comparisons, re-plans, driving times, prices, calendars and route files."""

from django.urls import path

from scheduling.customers import views
from scheduling.routes import change_views, settings_views

urlpatterns = [
    path("plans/sick-call/", change_views.replan, name="replan"),
    path("plans/driving-times/", settings_views.travel_times, name="travel_times"),
    path("plans/driving-times/pace/", settings_views.accept_pace, name="accept_pace"),
    path("plans/driving-times/pace/back/", settings_views.give_back_pace, name="give_back_pace"),
    path(
        "plans/driving-times/<int:pk>/remove/", settings_views.remove_travel_time, name="remove_travel_time"
    ),
    path("plans/prices/", settings_views.plan_prices, name="plan_prices"),
    path("plans/<int:pk>/re-plan/", change_views.replan_result, name="replan_result"),
    path("plans/<int:pk>/re-plan/progress/", change_views.replan_progress, name="replan_progress"),
    path("plans/<int:pk>/re-plan/undo/", change_views.undo_replan, name="undo_replan"),
    path("plans/<int:pk>/move/", change_views.move_stop, name="move_stop"),
    path("plans/<int:pk>/changes/", change_views.plan_changes, name="plan_changes"),
    path("plans/<int:pk>/changes/undo/", change_views.undo_move, name="undo_move"),
    path("plans/<int:pk>/stops/<int:stop>/pin/", change_views.pin_stop, name="pin_stop"),
    path("plans/<int:pk>/compare/", change_views.compare_plans, name="compare_plans"),
    path("work-orders/<int:pk>/promise/", change_views.promise_order, name="promise_order"),
    path("routes/<int:pk>/route.gpx", views.route_gpx, name="route_gpx"),
    path("own/routes/<str:on>/route.gpx", views.my_gpx, name="own_gpx"),
    path("own/routes/<str:on>/route.geojson", views.my_geojson, name="own_geojson"),
    path("own/calendar/", views.my_calendar, name="my_calendar"),
    path("calendars/", views.feeds, name="feeds"),
    path("calendars/<int:pk>/off/", views.switch_feed_off, name="switch_feed_off"),
    path("calendar/<str:secret>.ics", views.calendar_file, name="calendar_file"),
]
