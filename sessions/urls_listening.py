"""Addresses of what was heard in a film."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
