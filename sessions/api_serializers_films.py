"""What the JSON interface of films takes and gives."""

from __future__ import annotations

from django.urls import reverse
from rest_framework import serializers

from sessions import film_store
from sessions.api_uploads import expires_at
from sessions.models import Film, MatchFilm, Upload
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
