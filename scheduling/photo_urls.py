"""Addresses of photos taken at close-outs."""

from django.urls import path

from scheduling.views import photos

urlpatterns = [
    path("phone/close-outs/<uuid:client_id>/photos/", photos.send_photo, name="send_photo"),
    path("photos/<int:pk>/", photos.photo, name="photo"),
    path("own/photos/<int:pk>/", photos.own_photo, name="own_photo"),
]
