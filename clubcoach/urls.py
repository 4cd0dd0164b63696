from django.urls import include, path
from drf_spectacular.views import SpectacularAPIView

from clubcoach import views

urlpatterns = [
    path("", views.home, name="home"),
    path("healthz", views.healthz, name="healthz"),
    path("invitation/", include("players.public_urls")),
    path("account/tokens/", views.tokens, name="tokens"),
    path("account/", include("allauth.urls")),
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path("c/<slug:slug>/", views.club_home, name="club_home"),
    path("c/<slug:slug>/jobs/<uuid:job>/", views.job, name="job"),
    path("c/<slug:slug>/", include("players.urls")),
    path("c/<slug:slug>/", include("sessions.urls")),
    path("c/<slug:slug>/", include("reports.urls")),
    path("c/<slug:slug>/api/v1/", include(("clubcoach.api.urls", "api"))),
]
