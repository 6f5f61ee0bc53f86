"""Addresses of technicians and the calendar."""

from django.urls import path

from scheduling.crew import views
from scheduling.routes import leaving_views

urlpatterns = [
    path("technicians/", views.technicians, name="technicians"),
    path("technicians/new/", views.new_technician, name="new_technician"),
    path("technicians/<slug:code>/", views.technician, name="technician"),
    path("technicians/<slug:code>/absences/", views.add_absence, name="add_absence"),
    path("technicians/<slug:code>/week/", views.set_pattern, name="set_pattern"),
    path("technicians/<slug:code>/details/", views.change_technician, name="change_technician"),
    path("technicians/<slug:code>/leaves/", leaving_views.technician_leaves, name="technician_leaves"),
    path("technicians/<slug:code>/stays/", leaving_views.technician_stays, name="technician_stays"),
    path("absences/<int:pk>/end/", views.end_absence, name="end_absence"),
    path("closures/<int:pk>/end/", views.reopen_site, name="end_closure"),
    path("site-closures/<path:code>/", views.site_closures, name="site_closures"),
    path("calendar/", views.company_calendar, name="company_calendar"),
    path("calendar/region/", views.set_region, name="set_holiday_region"),
    path("calendar/day/", views.set_calendar_day, name="set_calendar_day"),
]
