"""The films of a match through JSON: what is there, what is on its way, and films that stay on a coach's disk."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import services
from sessions.api_serializers_films import AwaySerializer, FilmsSerializer, MatchFilmSerializer
from sessions.models import Match, Upload


def uploads_waiting(user: Any, match: Match) -> QuerySet[Upload]:
    """The person's own uploads of a match that are not whole yet."""
    return Upload.objects.filter(match=match, by=user, film=None).select_related("club")


class MatchFilmsView(APIView):
    rights = {"GET": Can.EDIT_MATCHES, "POST": Can.EDIT_MATCHES}

    @extend_schema(operation_id="match_films", responses=FilmsSerializer)
    def get(self, request: Any, slug: str, uuid: UUID) -> Response:
        """The films of a match, and one's own uploads that wait to be gone on with."""
        match = _match(request, uuid)
        rows = match.match_films.select_related("film")
        waiting = uploads_waiting(request.user, match)
        return Response(FilmsSerializer({"films": rows, "uploads": waiting}).data)

    @extend_schema(
        operation_id="match_film_away", request=AwaySerializer, responses={201: MatchFilmSerializer}
    )
    def post(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Note a film that stays on a coach's disk."""
        match = _match(request, uuid)
        sent = AwaySerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        film = services.register_away(by=request.user, match=match, **sent.validated_data)
        row = match.match_films.select_related("film").get(film=film)
        return Response(MatchFilmSerializer(row).data, status=201)


def _match(request: Any, uuid: UUID) -> Match:
    rows = Match.objects.seen_by(request.viewer).select_related("club").prefetch_related("seats__player")
    return get_object_or_404(rows, uuid=uuid)
