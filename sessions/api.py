"""The JSON interface of matches and analyses, under each club's address."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import django_filters
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils.decorators import method_decorator
from django.utils.translation import gettext as _
from django.views.decorators.gzip import gzip_page
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import generics
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from players.models import Area
from sessions import draws
from sessions.api_serializers import (
    AnalysisSerializer,
    DrawRequestSerializer,
    DrawSerializer,
    MatchSerializer,
    NotWritableSerializer,
    OpResultsSerializer,
    OpsSerializer,
    StateSerializer,
)
from sessions.ledger import rally_part
from sessions.models import Analysis, Draw, Match
from sessions.ops.engine import NotWritable, apply_ops
from sessions.stakes import why_closed
from sessions.state import state_of
from sessions.state_proposals import open_proposals
from sessions.state_since import changes_since, stamp_of

READ = (Can.CODE, Can.REVIEW)


def to_write(request: Any, uuid: UUID) -> Analysis:
    """For its analyst; anybody else of the club is refused with a sentence, and a stranger never gets here."""
    analysis = get_object_or_404(
        Analysis.objects.filter(match__club=request.viewer.club).select_related(
            "match__club", "analyst", "check_list"
        ),
        uuid=uuid,
    )
    if analysis.analyst is None or analysis.analyst.user_id != request.user.pk:
        raise PermissionDenied(_("Only the analyst writes in this analysis."))
    return analysis


class OpsView(APIView):
    rights = {"POST": Can.CODE}

    @extend_schema(
        operation_id="analysis_ops",
        request=OpsSerializer,
        responses={200: OpResultsSerializer, 409: NotWritableSerializer},
    )
    def post(self, request: Request, slug: str, uuid: UUID) -> Response:
        named = request.headers.get("X-Written-By")
        if named is not None and named != str(request.user.pk):
            # A tab that was left open sends what somebody else has marked: it is not taken under this name.
            message = _("These marks are somebody else's. They wait on the device until that person logs in.")
            return Response({"detail": message, "code": "other_person"}, status=403)
        analysis = to_write(request, uuid)
        sent = OpsSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        try:
            results = apply_ops(by=request.user, analysis=analysis, ops=sent.validated_data["ops"])
        except NotWritable as refusal:
            return Response({"message": refusal.message, "results": refusal.results}, status=409)
        return Response({"results": results})


# Compressed safely: the document holds no secret, and nothing of the request comes back in it.
@method_decorator(gzip_page, name="dispatch")
class StateView(APIView):
    rights = {"GET": READ}

    @extend_schema(
        operation_id="analysis_state",
        parameters=[
            OpenApiParameter(
                "part",
                OpenApiTypes.STR,
                enum=["rallies"],
                description="Only the rallies with their ledger, as after each winner.",
            ),
            OpenApiParameter(
                "since",
                OpenApiTypes.STR,
                description="A stamp of an earlier answer: only what changed since, as docs/sheet.md says.",
            ),
        ],
        responses=StateSerializer,
    )
    def get(self, request: Any, slug: str, uuid: UUID) -> Response:
        analysis = get_object_or_404(
            Analysis.objects.seen_by(request.viewer).select_related("match__club", "analyst", "check_list"),
            uuid=uuid,
        )
        if request.query_params.get("part") == "rallies":
            heard = {"proposals": open_proposals(analysis.match)}
            return Response({**rally_part(analysis.match), **heard})
        since = request.query_params.get("since")
        if since is not None:
            return Response(changes_since(analysis, since, by=request.user))
        # Taken first: what is written while the rows are read is then told again rather than never.
        stamp = str(stamp_of(analysis, by=request.user))
        return Response({**state_of(analysis, by=request.user), "stamp": stamp})


class DrawView(APIView):
    rights = {"POST": Can.CODE}

    @extend_schema(
        operation_id="analysis_draw",
        request=DrawRequestSerializer,
        responses={200: DrawSerializer, 409: OpenApiResponse(NotWritableSerializer)},
    )
    def post(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Draw the first ``planned``, or go on along the same order until ``planned`` are drawn; or draw rallies."""
        analysis = to_write(request, uuid)
        sent = DrawRequestSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        if closed := why_closed(request.user, analysis):
            return Response({"message": closed, "results": []}, status=409)
        area = get_object_or_404(Area, club=request.viewer.club, code=sent.validated_data["area"])
        planned, every = sent.validated_data.get("planned"), sent.validated_data.get("every")
        there = draws.last_open(list(Draw.objects.filter(match=analysis.match_id, area=area)))
        new_wave = sent.validated_data["new_wave"]
        if there is not None and planned is not None and planned > there.planned and not new_wave:
            draw = draws.draw_more(
                by=request.user, analysis=analysis, area=area, more=planned - there.planned
            )
        else:
            draw = draws.make_draw(
                by=request.user, analysis=analysis, area=area, planned=planned, every=every
            )
        return Response(draws.shown_draw(draw, area.code))


class AnalysisFilter(django_filters.FilterSet):
    class Meta:
        model = Analysis
        fields = {"state": ["exact"], "purpose": ["exact"], "due_on": ["lte", "gte"]}


class AnalysisList(generics.ListAPIView):
    rights = {"GET": READ}
    serializer_class = AnalysisSerializer
    filterset_class = AnalysisFilter

    def get_queryset(self) -> QuerySet[Analysis]:
        if getattr(self, "swagger_fake_view", False):
            return Analysis.objects.none()
        viewer: Any = self.request.viewer  # type: ignore[attr-defined]
        return Analysis.objects.seen_by(viewer).with_page_parts().order_by("due_on", "pk")


class AnalysisDetail(generics.RetrieveAPIView):
    rights = {"GET": READ}
    serializer_class = AnalysisSerializer
    lookup_field = "uuid"
    filter_backends: list[Any] = []
    get_queryset = AnalysisList.get_queryset


class MatchFilter(django_filters.FilterSet):
    class Meta:
        model = Match
        fields = {"kind": ["exact"], "played_on": ["lte", "gte"]}


class MatchList(generics.ListAPIView):
    rights = {"GET": Can.SEE_MATCHES}
    serializer_class = MatchSerializer
    filterset_class = MatchFilter

    def get_queryset(self) -> QuerySet[Match]:
        if getattr(self, "swagger_fake_view", False):
            return Match.objects.none()
        viewer: Any = self.request.viewer  # type: ignore[attr-defined]
        return Match.objects.seen_by(viewer).select_related("club").prefetch_related("seats__player")


class MatchDetail(generics.RetrieveAPIView):
    rights = {"GET": Can.SEE_MATCHES}
    serializer_class = MatchSerializer
    lookup_field = "uuid"
    filter_backends: list[Any] = []
    get_queryset = MatchList.get_queryset
