from django.urls import path

from reports.views.programme import programme

urlpatterns = [
    path("programme/", programme, name="programme"),
]
