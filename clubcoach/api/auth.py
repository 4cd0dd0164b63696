from hashlib import sha256
from typing import Any

from django.core.cache import cache
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.authentication import SessionAuthentication as RestSessionAuthentication
from rest_framework.exceptions import AuthenticationFailed, Throttled
from rest_framework.request import Request

from clubcoach.models import ApiToken

WRONG_TOKENS, WRONG_SECONDS = 20, 300


def count_wrong_token(request: Request) -> None:
    """Whoever guesses is slowed down by the address they really come from; right tokens from there still work."""
    key = f"wrong-token-{request.META.get('REMOTE_ADDR', '')}"
    cache.add(key, 0, WRONG_SECONDS)
    if cache.incr(key) > WRONG_TOKENS:
        raise Throttled(WRONG_SECONDS)


class SessionAuthentication(RestSessionAuthentication):
    """The session of the pages; says 401 with a scheme when nobody is logged in."""

    def authenticate_header(self, request: Request) -> str:
        return "Session"


class TokenAuthentication(BaseAuthentication):
    """``Authorization: Token <secret>``; the secret is compared by its digest."""

    def authenticate(self, request: Request) -> tuple[Any, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != b"token":
            return None
        if len(parts) != 2:
            raise AuthenticationFailed(_("Send one token: “Authorization: Token …”."))
        token = (
            ApiToken.objects.select_related("user")
            .filter(digest=sha256(parts[1]).hexdigest(), expires_at__gt=timezone.now(), user__is_active=True)
            .first()
        )
        if token is None:
            count_wrong_token(request)
            raise AuthenticationFailed(_("This token is unknown or has expired."))
        ApiToken.objects.filter(pk=token.pk).update(last_used_at=timezone.now())
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return "Token"


class TokenScheme(OpenApiAuthenticationExtension):
    target_class = TokenAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "apiKey", "in": "header", "name": "Authorization", "description": "Token <secret>"}


class SessionScheme(OpenApiAuthenticationExtension):
    target_class = SessionAuthentication
    name = "session"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "apiKey", "in": "cookie", "name": "sessionid"}
