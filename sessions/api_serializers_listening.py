"""What the JSON interface of what was heard in a film gives."""

from __future__ import annotations

from uuid import UUID

from rest_framework import serializers

from sessions import listening_words
from sessions.api_serializers_court import LONGEST_S, NumberField
from sessions.models import RallyProposal


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
