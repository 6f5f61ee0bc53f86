"""Addresses around a plan: moves, comparisons, re-plans, driving times, prices, calendars and route files."""

from django.urls import path

from scheduling.views import feeds, plan_settings, replan, route_moves

urlpatterns = [
    path("plans/sick-call/", replan.replan, name="replan"),
    path("plans/driving-times/", plan_settings.travel_times, name="travel_times"),
    path("plans/driving-times/pace/", plan_settings.accept_pace, name="accept_pace"),
    path("plans/driving-times/pace/back/", plan_settings.give_back_pace, name="give_back_pace"),
    path("plans/driving-times/<int:pk>/remove/", plan_settings.remove_travel_time, name="remove_travel_time"),
    path("plans/prices/", plan_settings.plan_prices, name="plan_prices"),
    path("plans/<int:pk>/re-plan/", replan.replan_result, name="replan_result"),
    path("plans/<int:pk>/re-plan/progress/", replan.replan_progress, name="replan_progress"),
    path("plans/<int:pk>/re-plan/undo/", replan.undo_replan, name="undo_replan"),
    path("plans/<int:pk>/move/", route_moves.move_stop, name="move_stop"),
    path("plans/<int:pk>/changes/", route_moves.plan_changes, name="plan_changes"),
    path("plans/<int:pk>/changes/undo/", route_moves.undo_move, name="undo_move"),
    path("plans/<int:pk>/stops/<int:stop>/pin/", route_moves.pin_stop, name="pin_stop"),
    path("plans/<int:pk>/compare/", route_moves.compare_plans, name="compare_plans"),
    path("work-orders/<int:pk>/promise/", route_moves.promise_order, name="promise_order"),
    path("routes/<int:pk>/route.gpx", feeds.route_gpx, name="route_gpx"),
    path("own/routes/<str:on>/route.gpx", feeds.own_gpx, name="own_gpx"),
    path("own/routes/<str:on>/route.geojson", feeds.own_geojson, name="own_geojson"),
    path("own/calendar/", feeds.my_calendar, name="my_calendar"),
    path("calendars/", feeds.feeds, name="feeds"),
    path("calendars/<int:pk>/off/", feeds.switch_feed_off, name="switch_feed_off"),
    path("calendar/<str:secret>.ics", feeds.calendar_file, name="calendar_file"),
]
