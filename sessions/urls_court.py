"""Addresses of court views, and of the page that says where a phone is put."""

from django.urls import URLPattern, path

from sessions.views import court

urlpatterns: list[URLPattern] = [
    path("films/phone/", court.phone_place, name="phone_place"),
    path("films/cameras/", court.camera_places, name="camera_places"),
    path("films/<uuid:film>/court/", court.court_view, name="court_view"),
    path("films/<uuid:film>/court/copy/", court.court_copy, name="court_copy"),
]
