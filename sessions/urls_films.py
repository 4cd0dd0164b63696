"""Addresses of one film and of all films of a club."""

from django.urls import URLPattern, path

from sessions.views import film_page, film_store_page

urlpatterns: list[URLPattern] = [
    path("films/", film_store_page.film_store, name="film_store"),
    path("films/<uuid:film>/", film_page.film, name="film"),
    path("films/<uuid:film>/strip/<int:ms>/", film_page.film_strip, name="film_strip"),
    path("films/<uuid:film>/pause/", film_page.film_pause, name="film_pause"),
    path("films/<uuid:film>/resume/", film_page.film_resume, name="film_resume"),
    path("films/<uuid:film>/cancel/", film_page.film_cancel, name="film_cancel"),
    path("films/<uuid:film>/again/", film_page.film_again, name="film_again"),
    path("films/<uuid:film>/matches/", film_page.film_matches, name="film_matches"),
    path("films/<uuid:film>/hold/", film_store_page.film_hold, name="film_hold"),
    path("films/<uuid:film>/remove/", film_store_page.film_remove, name="film_remove"),
]
