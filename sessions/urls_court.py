"""Addresses of court views, and of the page that says where a phone is put."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
