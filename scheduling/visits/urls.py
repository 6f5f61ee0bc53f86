"""Addresses of photos taken at visits, and of what technicians bring back from the field."""

from django.urls import path

from scheduling.visits import field_report_views, photo_views

urlpatterns = [
    path("phone/close-outs/<uuid:client_id>/photos/", photo_views.send_photo, name="send_photo"),
    path("photos/<int:pk>/", photo_views.photo, name="photo"),
    path("own/photos/<int:pk>/", photo_views.my_photo, name="own_photo"),
    path("phone/visit/<int:pk>/found/", field_report_views.report_found, name="report_found"),
    path("phone/answers/", field_report_views.office_answers, name="office_answers"),
    path("field-reports/<int:pk>/", field_report_views.field_report, name="field_report"),
    path("field-reports/<int:pk>/photo/", field_report_views.field_report_photo, name="field_report_photo"),
]
