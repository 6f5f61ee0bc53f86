"""Addresses of photos taken at close-outs."""

from django.urls import path

from scheduling.visits import photo_views

urlpatterns = [
    path("phone/close-outs/<uuid:client_id>/photos/", photo_views.send_photo, name="send_photo"),
    path("photos/<int:pk>/", photo_views.photo, name="photo"),
    path("own/photos/<int:pk>/", photo_views.my_photo, name="own_photo"),
]
