"""The JSON interface of uploads and of films that stay on a disk."""

from django.urls import URLPattern, path

from sessions import api_films, api_uploads

urlpatterns: list[URLPattern] = [
    path("uploads/", api_uploads.UploadsView.as_view(), name="uploads"),
    path("uploads/<uuid:uuid>/", api_uploads.UploadView.as_view(), name="upload"),
    path("matches/<uuid:uuid>/films/", api_films.MatchFilmsView.as_view(), name="match_films"),
]
