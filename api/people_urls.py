"""Addresses of log-ins."""

from django.urls import path

from api import log_ins

urlpatterns = [
    path("", log_ins.people, name="people"),
    path("new/", log_ins.new_person, name="new_person"),
    path("<path:username>/invitation/", log_ins.invite_person, name="invite_person"),
    path("<path:username>/shut/", log_ins.shut_person, name="shut_person"),
    path("<path:username>/open/", log_ins.open_person, name="open_person"),
    path("<path:username>/", log_ins.person, name="person"),
]
