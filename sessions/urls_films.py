"""Addresses of one film and of all films of a club."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
