"""What was heard in a film, through JSON: the verdict in words, hits and proposals of a stretch of it, the delay."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import listening, listening_words
from sessions.api_court import NumberField
from sessions.models import Film, Hearing, RallyProposal

# So much of each in one answer; `next_from_s` says where to go on.
MOST_HITS, MOST_PROPOSALS = 2000, 500
LONGEST_S = 1e6


class StretchSerializer(serializers.Serializer):
    from_s = NumberField(
        min_value=0,
        max_value=LONGEST_S,
        default=0,
        help_text="Hits and proposals that begin from here on, as heard.",
    )


class HitSerializer(serializers.Serializer):
    t = serializers.FloatField(help_text="Seconds of the film, as heard.")
    kind = serializers.CharField(help_text="racket, floor or glass")
    confidence = serializers.FloatField()


class ProposalSerializer(serializers.ModelSerializer):
    sure = serializers.SerializerMethodField(help_text="The confidence in words.")
    rally = serializers.SerializerMethodField(help_text="The rally of the match that it became.")

    class Meta:
        model = RallyProposal
        fields = ["id", "start_s", "end_s", "confidence", "sure", "state", "by_hand"]
        fields += ["heard_start_s", "heard_end_s", "rally"]

    def get_sure(self, row: RallyProposal) -> str:
        return listening_words.sure(row.confidence)

    def get_rally(self, row: RallyProposal) -> UUID | None:
        return row.rally.uuid if row.rally else None


class HearingSerializer(serializers.Serializer):
    """Times are seconds of the film as heard; the picture shows them ``delay_s`` earlier."""

    heard = serializers.BooleanField(help_text="False: nobody has listened to the film yet.")
    way = serializers.CharField(allow_null=True)
    verdict = serializers.CharField(allow_null=True, help_text="good, poor or useless")
    reasons = serializers.ListField(child=serializers.CharField())
    words = serializers.ListField(child=serializers.CharField())
    delay_s = serializers.FloatField()
    delay_words = serializers.CharField(allow_blank=True)
    made_at = serializers.DateTimeField(allow_null=True)
    hits = HitSerializer(many=True)
    proposals = ProposalSerializer(many=True)
    next_from_s = serializers.FloatField(
        allow_null=True, help_text="More is there from this moment on: ask again with it as `from_s`."
    )


def film_here(request: Any, uuid: UUID) -> Film:
    return get_object_or_404(Film.objects.seen_by(request.viewer).select_related("club"), uuid=uuid)


class HearingApi(APIView):
    rights = {"GET": Can.WATCH_FILM}

    @extend_schema(operation_id="film_hearing", parameters=[StretchSerializer], responses=HearingSerializer)
    def get(self, request: Any, slug: str, uuid: UUID) -> Response:
        """What was heard from a moment on: up to 2000 hits and 500 proposals, and where the next stretch begins."""
        film = film_here(request, uuid)
        sent = StretchSerializer(data=request.query_params)
        sent.is_valid(raise_exception=True)
        hearing = listening.hearing_of(film)
        if hearing is None:
            return Response(HearingSerializer(nothing(film)).data)
        return Response(HearingSerializer(stretch(hearing, sent.validated_data["from_s"])).data)


def nothing(film: Film) -> dict[str, Any]:
    words = listening_words.why_nothing_here(film) or listening_words.not_yet()
    return {
        **{"heard": False, "way": None, "verdict": None, "reasons": [], "words": [words], "delay_s": 0.0},
        **{"delay_words": "", "made_at": None, "hits": [], "proposals": [], "next_from_s": None},
    }


def stretch(hearing: Hearing, from_s: float) -> dict[str, Any]:
    """The same stretch of time of both, so that going on from `next_from_s` leaves nothing out and repeats nothing."""
    hits = [row for row in hearing.hits if row[0] >= from_s][: MOST_HITS + 1]
    proposals = list(listening.proposals_of(hearing).filter(start_s__gte=from_s)[: MOST_PROPOSALS + 1])
    cuts = [hits[-1][0]] if len(hits) > MOST_HITS else []
    cuts += [proposals[-1].start_s] if len(proposals) > MOST_PROPOSALS else []
    until = min(cuts, default=None)
    # More in one and the same moment than fit would ask for itself for ever.
    if until is not None and until <= from_s:
        until = None
    return {
        "heard": True,
        "way": hearing.way,
        "verdict": hearing.verdict,
        "reasons": hearing.reasons,
        "words": listening_words.told(hearing),
        "delay_s": hearing.delay_s,
        "delay_words": listening_words.delay(hearing.delay_s),
        "made_at": hearing.made_at,
        "hits": [
            {"t": at, "kind": kind, "confidence": rest[0] if rest else None}
            for at, kind, *rest in hits
            if until is None or at < until
        ],
        "proposals": [row for row in proposals if until is None or row.start_s < until],
        "next_from_s": until,
    }
