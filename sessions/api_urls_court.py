"""The JSON interface of court views."""

from django.urls import URLPattern, path

from sessions import api_court

urlpatterns: list[URLPattern] = [
    path("films/<uuid:uuid>/court/", api_court.CourtApi.as_view(), name="court"),
    path("films/<uuid:uuid>/court/spots/", api_court.SpotsApi.as_view(), name="court_spots"),
]
