from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.utils import timezone, translation

GetResponse = Callable[[HttpRequest], HttpResponseBase]


class PrivatePagesMiddleware:
    """Pages about people are not left behind in a shared browser's cache."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        # An invitation is about somebody too, before they have an account.
        private = request.user.is_authenticated or request.path.startswith("/invitation/")
        if private and not response.has_header("Cache-Control"):
            response["Cache-Control"] = "no-store"
        response.setdefault(
            "Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"
        )
        return response


class ClubLocaleMiddleware:
    """A person's language; a club's dates. The zone is set by whoever formats, this is only the default."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        user: Any = request.user
        if user.is_authenticated and user.language:
            translation.activate(user.language)
            request.LANGUAGE_CODE = translation.get_language()  # type: ignore[attr-defined]
        response = self.get_response(request)
        timezone.deactivate()
        return response
