"""The JSON interface of court views."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
