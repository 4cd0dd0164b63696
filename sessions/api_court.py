"""Court views through JSON: what landmarks give, keeping them, and spots in metres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from clubcoach.compute.court import LANDMARKS
from sessions import court_reading, court_words, services
from sessions.api_serializers_court import (
    CourtSerializer,
    SaveCourtSerializer,
    SavedCourtSerializer,
    SpotsSerializer,
    SpottedSerializer,
    TriedCourtSerializer,
    TryCourtSerializer,
    ViewSerializer,
)
from sessions.services.court import check_picture, clean_landmarks, fitted
from sessions.views.parts import film_here


class CourtApi(APIView):
    rights = {"GET": Can.WATCH_FILM, "POST": Can.EDIT_MATCHES, "PUT": Can.EDIT_MATCHES}

    @extend_schema(operation_id="film_court", responses=CourtSerializer)
    def get(self, request: Any, slug: str, uuid: UUID) -> Response:
        film = film_here(request.viewer, uuid)
        plan = [
            {"name": name, "label": court_words.landmark(name), "x": x, "y": y}
            for name, (x, y) in LANDMARKS.items()
        ]
        return Response({"plan": plan, "views": ViewSerializer(film.court_views.all(), many=True).data})

    @extend_schema(
        operation_id="film_court_try", request=TryCourtSerializer, responses={200: TriedCourtSerializer}
    )
    def post(self, request: Any, slug: str, uuid: UUID) -> Response:
        """What landmarks would give; nothing is kept."""
        film = film_here(request.viewer, uuid)
        sent = TryCourtSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        data = sent.validated_data
        check_picture(film, data["width"], data["height"])
        places = clean_landmarks(data["landmarks"])
        fit = fitted(places, data["width"], data["height"])
        return Response(court_reading.told(fit, places, film))

    @extend_schema(
        operation_id="film_court_save", request=SaveCourtSerializer, responses={200: SavedCourtSerializer}
    )
    def put(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Keep the view that begins at ``from_s``, in the place of one that began there."""
        film = film_here(request.viewer, uuid)
        sent = SaveCourtSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        view = services.place_court(by=request.user, film=film, **sent.validated_data)
        fit = court_reading.fit_of_view(view)
        told = court_reading.told(fit, view.landmarks, film)
        return Response({"view": ViewSerializer(view).data, "fit": told})


class SpotsApi(APIView):
    rights = {"POST": Can.WATCH_FILM}

    @extend_schema(
        operation_id="film_court_spots", request=SpotsSerializer, responses={200: SpottedSerializer}
    )
    def post(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Places on the floor for pixels of the picture's own size, with what a click leaves open."""
        film = film_here(request.viewer, uuid)
        sent = SpotsSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        view = court_reading.view_at(film, sent.validated_data["at_s"])
        if view is None:
            raise ValidationError(
                {"at_s": _("No court view holds at this moment of the film. Place one first.")}
            )
        fit = court_reading.fit_of_view(view)
        return Response(
            {"from_s": view.from_s, "spots": court_reading.spots(fit, sent.validated_data["points"])}
        )
