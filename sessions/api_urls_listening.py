"""The JSON interface of what was heard in a film."""

from django.urls import URLPattern, path

from sessions import api_listening

urlpatterns: list[URLPattern] = [
    path("films/<uuid:uuid>/hearing/", api_listening.HearingApi.as_view(), name="hearing"),
]
