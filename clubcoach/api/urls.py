from django.urls import include, path

urlpatterns = [
    path("", include("players.api_urls")),
    path("", include("sessions.api_urls")),
    path("", include("reports.api_urls")),
]
