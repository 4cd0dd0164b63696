"""The JSON interface of uploads and of films that stay on a disk."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
