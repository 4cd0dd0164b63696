"""The films of a match through JSON: what is there, what is on its way, and films that stay on a coach's disk."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import film_store, services
from sessions.api_uploads import expires_at
from sessions.models import Film, Match, MatchFilm, Upload
from sessions.services.films import LARGEST, LONGEST_S


class MatchFilmSerializer(serializers.ModelSerializer):
    uuid = serializers.UUIDField(source="film.uuid")
    name = serializers.CharField(source="film.name")
    state = serializers.ChoiceField(source="film.state", choices=Film.State.choices)
    size = serializers.IntegerField(source="film.size", help_text="Bytes.")
    slices = serializers.CharField(
        source="film.slices", help_text="Fingerprint, or empty where none is known."
    )
    duration_s = serializers.FloatField(source="film.duration_s", allow_null=True)

    class Meta:
        model = MatchFilm
        fields = ["uuid", "name", "state", "size", "slices", "duration_s", "offset_s"]


class UploadSerializer(serializers.ModelSerializer):
    url = serializers.SerializerMethodField(help_text="Where the upload is gone on with (tus 1.0).")
    offset = serializers.SerializerMethodField(help_text="Bytes that are here.")
    expires_at = serializers.SerializerMethodField()

    class Meta:
        model = Upload
        fields = ["url", "name", "length", "offset", "slices", "expires_at"]

    def get_url(self, upload: Upload) -> str:
        return reverse("api:upload", args=[upload.club.slug, upload.uuid])

    def get_offset(self, upload: Upload) -> int:
        return film_store.arrived(upload)

    def get_expires_at(self, upload: Upload) -> str:
        return expires_at(upload).isoformat()


class FilmsSerializer(serializers.Serializer):
    films = MatchFilmSerializer(many=True)
    uploads = UploadSerializer(many=True)


class AwaySerializer(serializers.Serializer):
    """A film that stays on a disk: by what it is known again."""

    name = serializers.CharField(max_length=500)
    size = serializers.IntegerField(min_value=1, max_value=LARGEST)
    duration_s = serializers.FloatField(max_value=LONGEST_S)
    width = serializers.IntegerField(min_value=1, max_value=32768, required=False, allow_null=True)
    height = serializers.IntegerField(min_value=1, max_value=32768, required=False, allow_null=True)
    slices = serializers.RegexField(r"^[0-9a-f]{64}$")
    offset_s = serializers.FloatField(min_value=0, max_value=LONGEST_S, required=False, allow_null=True)
    visitors_agreed = serializers.BooleanField(required=False, default=False)


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
