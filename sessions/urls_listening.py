"""Addresses of what was heard in a film."""

from django.urls import URLPattern, path

from sessions.views import listening

urlpatterns: list[URLPattern] = [
    path("films/<uuid:film>/listen/", listening.listening, name="listening"),
    path("films/<uuid:film>/listen/act/", listening.listening_act, name="listening_act"),
]
