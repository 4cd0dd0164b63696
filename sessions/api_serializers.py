"""Shapes of the JSON interface, for reading what is sent and for its OpenAPI description."""

from __future__ import annotations

import json
from typing import Any

from django.utils.translation import gettext as _
from rest_framework import serializers

from sessions.models import Analysis, Hunch, Match, Situation
from sessions.sparse import EMPTY

WHOLE = 2**31 - 1


def storable(value: Any) -> Any:
    """A database refuses NUL and half of a surrogate pair; the sender should hear it at the field."""
    try:
        written = json.dumps(value, ensure_ascii=False, allow_nan=False)
        written.encode()
    except (ValueError, RecursionError):
        raise serializers.ValidationError(
            _("This holds characters or numbers that cannot be stored.")
        ) from None
    if "\\u0000" in written:
        raise serializers.ValidationError(_("This holds characters or numbers that cannot be stored."))
    return value


class OpSerializer(serializers.Serializer):
    op = serializers.UUIDField(help_text="Made on the device; a repeat gets the first answer.")
    device = serializers.UUIDField()
    seq = serializers.IntegerField(min_value=1, max_value=WHOLE)
    kind = serializers.CharField(max_length=24, validators=[storable])
    target = serializers.CharField(max_length=120, validators=[storable])
    base_rev = serializers.IntegerField(
        min_value=0, max_value=WHOLE, required=False, allow_null=True, default=None
    )
    body = serializers.DictField(required=False, default=dict, validators=[storable])


class OpsSerializer(serializers.Serializer):
    ops = serializers.ListField(child=OpSerializer(), min_length=1, max_length=100)


class OpResultSerializer(serializers.Serializer):
    op = serializers.UUIDField()
    seq = serializers.IntegerField()
    status = serializers.CharField(help_text="applied, repeat, waiting, conflict or refused")
    rev = serializers.IntegerField(required=False)
    row = serializers.DictField(required=False)
    result = serializers.DictField(required=False, help_text="repeat: the answer of the first time")
    next = serializers.IntegerField(required=False, help_text="waiting: send from this number on")
    mine = serializers.DictField(required=False)
    theirs = serializers.DictField(required=False)
    field = serializers.CharField(required=False)
    message = serializers.CharField(required=False)


class OpResultsSerializer(serializers.Serializer):
    results = OpResultSerializer(many=True)


class NotWritableSerializer(serializers.Serializer):
    message = serializers.CharField()
    results = OpResultSerializer(many=True)


class DrawRequestSerializer(serializers.Serializer):
    area = serializers.CharField(max_length=20, validators=[storable])
    planned = serializers.IntegerField(min_value=1, max_value=9999, required=False)
    every = serializers.IntegerField(min_value=2, max_value=20, required=False)
    new_wave = serializers.BooleanField(
        default=False,
        help_text="For units that were listed after the last draw, also where that has some left.",
    )

    def validate(self, data: dict[str, Any]) -> dict[str, Any]:
        if ("planned" in data) == ("every" in data):
            raise serializers.ValidationError(
                {"planned": _("Say either how many situations, or every how many rallies.")}
            )
        return data


class DrawSerializer(serializers.Serializer):
    area = serializers.CharField()
    wave = serializers.IntegerField()
    every = serializers.IntegerField(allow_null=True)
    first = serializers.IntegerField(allow_null=True)
    units = serializers.ListField(child=serializers.IntegerField(), help_text="Whose situations are in it.")
    planned = serializers.IntegerField()
    listed = serializers.IntegerField()
    drawn = serializers.ListField(child=serializers.UUIDField())
    words = serializers.CharField()


class LedgerSerializer(serializers.Serializer):
    before = serializers.CharField()
    points = serializers.CharField()
    over = serializers.BooleanField()
    server = serializers.IntegerField(allow_null=True)
    side = serializers.CharField(allow_null=True)
    near = serializers.CharField(allow_null=True)
    deciding = serializers.BooleanField()
    contradictions = serializers.ListField(child=serializers.CharField(), required=False)


class SparseMixin:
    """A row of the state document: what is as in an empty row of its kind is left out."""

    kind: str

    def get_fields(self) -> dict[str, Any]:
        fields: dict[str, Any] = super().get_fields()  # type: ignore[misc]
        for name in EMPTY[self.kind]:
            fields[name].required = False
        return fields


class RallySerializer(SparseMixin, serializers.Serializer):
    kind = "rally"
    uuid = serializers.UUIDField()
    number = serializers.IntegerField()
    start_s = serializers.FloatField(help_text="Only keeps the order where timed is false.")
    end_s = serializers.FloatField(allow_null=True)
    server = serializers.IntegerField(allow_null=True)
    winner = serializers.CharField(allow_blank=True)
    near_pair = serializers.CharField(allow_blank=True)
    side = serializers.CharField(allow_blank=True)
    score_set = serializers.DictField(allow_null=True)
    reason = serializers.CharField(allow_blank=True)
    net_pair = serializers.CharField(allow_blank=True, help_text="A, B or none: who held the net at its end.")
    ended_by = serializers.IntegerField(allow_null=True, help_text="The place, 1 to 4, whose hit ended it.")
    ended_how = serializers.CharField(allow_blank=True, help_text="winner, forced, error or double")
    timed = serializers.BooleanField(help_text="False: from a sheet without times.")
    dropped = serializers.BooleanField()
    rev = serializers.IntegerField()
    ledger = LedgerSerializer()


class MarkSerializer(SparseMixin, serializers.Serializer):
    kind = "mark"
    value = serializers.CharField(allow_null=True)
    rev = serializers.IntegerField()


class SituationSerializer(SparseMixin, serializers.ModelSerializer):
    kind = "situation"
    rally = serializers.UUIDField()
    unit = serializers.IntegerField()
    area = serializers.CharField()
    marks = serializers.DictField(child=MarkSerializer())

    class Meta:
        model = Situation
        fields = ["uuid", "rally", "unit", "area", "hit_s", "end", "trigger", "ball", "choice", "outcome"]
        fields += ["timed", "drawn", "shown_only", "not_codable", "note", "dropped", "rev", "marks"]


class ClosureSerializer(SparseMixin, serializers.Serializer):
    kind = "closure"
    rally = serializers.UUIDField()
    area = serializers.CharField()
    situations = serializers.IntegerField(allow_null=True)
    rev = serializers.IntegerField()


class HunchSerializer(serializers.Serializer):
    position = serializers.IntegerField()
    text = serializers.CharField()
    area = serializers.CharField()
    check = serializers.CharField(allow_null=True, help_text="null: the area as a whole")
    says = serializers.ChoiceField(choices=Hunch.Says.choices)


class OfferedRallySerializer(serializers.Serializer):
    id = serializers.IntegerField()
    start_s = serializers.FloatField()
    end_s = serializers.FloatField()
    sure = serializers.ChoiceField(choices=["sure", "likely", "guess"])
    film = serializers.UUIDField()


class StateSerializer(serializers.Serializer):
    stamp = serializers.CharField(help_text="Where it stands now: what to ask with, as since, later.")
    analysis = serializers.DictField()
    match = serializers.DictField()
    seats = serializers.ListField(child=serializers.DictField())
    units = serializers.ListField(child=serializers.DictField())
    areas = serializers.ListField(child=serializers.DictField())
    rallies = RallySerializer(many=True)
    ledger_next = LedgerSerializer()
    ledger_end = serializers.CharField()
    situations = SituationSerializer(many=True)
    closures = ClosureSerializer(many=True)
    draws = DrawSerializer(many=True)
    proposals = OfferedRallySerializer(many=True)
    hits = serializers.ListField(child=serializers.FloatField(), help_text="Hits of a racket, match time.")
    hunches = HunchSerializer(many=True)
    empty = serializers.DictField(
        child=serializers.DictField(), help_text="By kind of row: the values that rows leave out."
    )
    next_seq = serializers.DictField(child=serializers.IntegerField())


class AnalysisSerializer(serializers.ModelSerializer):
    match = serializers.UUIDField(source="match.uuid")
    played_on = serializers.DateField(source="match.played_on")
    analyst = serializers.SerializerMethodField()
    units = serializers.SerializerMethodField()
    areas = serializers.SerializerMethodField()

    class Meta:
        model = Analysis
        fields = ["uuid", "match", "played_on", "state", "purpose", "plan", "extent", "version", "analyst"]
        fields += ["units", "areas", "due_on", "requested_at", "submitted_at", "published_at"]

    def get_analyst(self, analysis: Analysis) -> str:
        return analysis.analyst.name if analysis.analyst else ""

    def get_units(self, analysis: Analysis) -> list[str]:
        return [cover.unit.name for cover in analysis.covers.all()]

    def get_areas(self, analysis: Analysis) -> list[str]:
        return [row.area.code for row in analysis.lens.all()]


class SeatSerializer(serializers.Serializer):
    position = serializers.IntegerField()
    pair = serializers.CharField()
    side = serializers.CharField(allow_blank=True)
    player = serializers.UUIDField(source="player.uuid", default=None, allow_null=True)


class MatchSerializer(serializers.ModelSerializer):
    seats = SeatSerializer(source="seat_list", many=True)
    format = serializers.DictField(source="match_format.as_dict")

    class Meta:
        model = Match
        fields = ["uuid", "ref", "played_on", "kind", "format", "first_server", "first_near", "place"]
        fields += ["walls", "rallies_played", "seats"]
