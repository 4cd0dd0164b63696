"""What was heard in a film, through JSON: the verdict in words, hits and proposals of a stretch of it, the delay."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import listening, listening_words
from sessions.api_serializers_listening import HearingSerializer, StretchSerializer
from sessions.models import Film, Hearing
from sessions.views.parts import film_here

# So much of each in one answer; `next_from_s` says where to go on.
MOST_HITS, MOST_PROPOSALS = 2000, 500


class HearingApi(APIView):
    rights = {"GET": Can.WATCH_FILM}

    @extend_schema(operation_id="film_hearing", parameters=[StretchSerializer], responses=HearingSerializer)
    def get(self, request: Any, slug: str, uuid: UUID) -> Response:
        """What was heard from a moment on: up to 2000 hits and 500 proposals, and where the next stretch begins."""
        film = film_here(request.viewer, uuid)
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
