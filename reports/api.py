"""Scores, focus points and homework as JSON: counts and scores for coaches, tenths for whoever they are about."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from drf_spectacular.utils import PolymorphicProxySerializer, extend_schema, extend_schema_field
from rest_framework import generics, serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach import formatting
from clubcoach.access import Can, Viewer
from clubcoach.compute.intervals import wilson_bounds
from players.models import Player, Unit, own_player_ids
from reports.focus import points_of
from reports.homework import log_homework
from reports.models import FocusPoint, Homework, HomeworkLog, Score


class UnitSerializer(serializers.ModelSerializer):
    players = serializers.SerializerMethodField(help_text=_("One player, or the two of a pair."))

    class Meta:
        model = Unit
        fields = ["kind", "players"]

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_players(self, unit: Unit) -> list[UUID]:
        return [player.uuid for player in (unit.first, unit.second) if player is not None]


class ScoreSerializer(serializers.ModelSerializer):
    """For coaches: 0 to 100 with an 80 % interval."""

    unit = UnitSerializer(read_only=True)
    area = serializers.SlugRelatedField(slug_field="code", read_only=True)

    class Meta:
        model = Score
        fields = ["unit", "area", "series", "day", "score", "low", "high", "n", "better_than_first"]


class TenthsSerializer(serializers.ModelSerializer):
    """For students and guardians: about so many in 10, and what it may also be."""

    unit = UnitSerializer(read_only=True)
    area = serializers.SlugRelatedField(slug_field="code", read_only=True)
    about = serializers.SerializerMethodField()
    low = serializers.SerializerMethodField()
    high = serializers.SerializerMethodField()

    class Meta:
        model = Score
        fields = ["unit", "area", "series", "day", "about", "low", "high", "n"]

    def get_about(self, row: Score) -> int:
        return formatting.tenths(row.score / 100)

    def get_low(self, row: Score) -> int:
        return formatting.tenths_range(row.low / 100, row.high / 100)[0]

    def get_high(self, row: Score) -> int:
        return formatting.tenths_range(row.low / 100, row.high / 100)[1]


class FocusSerializer(serializers.ModelSerializer):
    """For coaches: with the counts on which it was proposed and the level's standard, as shares."""

    unit = UnitSerializer(read_only=True)
    check = serializers.CharField(source="check_identity.code", read_only=True)
    area = serializers.CharField(source="check_identity.area.code", read_only=True)

    class Meta:
        model = FocusPoint
        fields = [
            "id",
            "unit",
            "check",
            "area",
            "state",
            "rank",
            "words",
            "cue",
            "by_rule",
            "seen",
            "met",
            "low",
            "high",
            "standard",
            "started_on",
            "ended_on",
        ]


class FocusTenthsSerializer(serializers.ModelSerializer):
    """For students and guardians: in tenths, and without the standard."""

    unit = UnitSerializer(read_only=True)
    check = serializers.CharField(source="check_identity.code", read_only=True)
    area = serializers.CharField(source="check_identity.area.code", read_only=True)
    about = serializers.SerializerMethodField()
    low = serializers.SerializerMethodField()
    high = serializers.SerializerMethodField()

    class Meta:
        model = FocusPoint
        fields = [
            "id",
            "unit",
            "check",
            "area",
            "state",
            "words",
            "cue",
            "seen",
            "about",
            "low",
            "high",
            "started_on",
        ]

    @extend_schema_field(serializers.IntegerField(allow_null=True))
    def get_about(self, row: FocusPoint) -> int | None:
        return formatting.tenths(row.met / row.seen) if row.seen else None

    def get_low(self, row: FocusPoint) -> int:
        return _range(row)[0]

    def get_high(self, row: FocusPoint) -> int:
        return _range(row)[1]


def _range(row: FocusPoint) -> tuple[int, int]:
    low, high = wilson_bounds([row.met], [row.seen])
    return formatting.tenths_range(float(low[0]), float(high[0]))


class HomeworkLogSerializer(serializers.ModelSerializer):
    felt = serializers.ChoiceField(choices=HomeworkLog.Felt.choices, allow_blank=True, default="")
    uuid = serializers.UUIDField(help_text=_("Made on the device: sent twice, it is one entry."))

    class Meta:
        model = HomeworkLog
        fields = ["uuid", "done_on", "good", "tried", "felt"]


class HomeworkSerializer(serializers.ModelSerializer):
    player = serializers.SlugRelatedField(slug_field="uuid", read_only=True)
    drill = serializers.SlugRelatedField(slug_field="code", read_only=True)
    focus = serializers.PrimaryKeyRelatedField(read_only=True, allow_null=True)
    logs = HomeworkLogSerializer(many=True, read_only=True)

    class Meta:
        model = Homework
        fields = ["uuid", "player", "drill", "focus", "week_of", "times", "logs"]


class OfPlayer(filters.FilterSet):
    player = filters.UUIDFilter(method="of_player", label=_("alone or in a pair"))

    def of_player(self, rows: QuerySet[Any], name: str, value: UUID) -> QuerySet[Any]:
        return rows.filter(Q(unit__first__uuid=value) | Q(unit__second__uuid=value))


class ScoreFilter(OfPlayer):
    area = filters.CharFilter(field_name="area__code", label=_("code of an area"))

    class Meta:
        model = Score
        fields = ["player", "area", "series"]


class FocusFilter(OfPlayer):
    class Meta:
        model = FocusPoint
        fields = ["player", "state"]


class HomeworkFilter(filters.FilterSet):
    player = filters.UUIDFilter(field_name="player__uuid")

    class Meta:
        model = Homework
        fields = ["player", "week_of"]


class Told(generics.ListAPIView):
    """Coaches read everybody's in numbers; students and guardians their own in tenths."""

    rights = {"GET": (Can.SEE_SCORES, Can.OWN_PADEL)}
    coaches: type[serializers.ModelSerializer]
    students: type[serializers.ModelSerializer]

    @property
    def viewer(self) -> Viewer:
        return self.request.viewer  # type: ignore[attr-defined]

    def get_serializer_class(self) -> Any:
        return self.coaches if self.viewer.can(Can.SEE_SCORES) else self.students

    def mine(self, rows: QuerySet[Any]) -> QuerySet[Any]:
        here = rows.filter(unit__club=self.viewer.club).select_related("unit__first", "unit__second")
        if self.viewer.can(Can.SEE_SCORES):
            return here
        own = own_player_ids(self.viewer)
        return here.filter(Q(unit__first__in=own) | Q(unit__second__in=own))


def _either(name: str, one: Any, other: Any) -> PolymorphicProxySerializer:
    return PolymorphicProxySerializer(name, [one, other], resource_type_field_name=None, many=True)


@extend_schema(responses=_either("ToldScore", ScoreSerializer, TenthsSerializer))
class ScoreList(Told):
    """Scores by unit, area and match day: "now" as seen today, "then" as told when it was published."""

    coaches, students = ScoreSerializer, TenthsSerializer
    queryset = Score.objects.none()
    filterset_class = ScoreFilter

    def get_queryset(self) -> QuerySet[Score]:
        if getattr(self, "swagger_fake_view", False):
            return Score.objects.none()
        return self.mine(Score.objects.select_related("area").order_by("unit", "area", "series", "day"))


@extend_schema(responses=_either("ToldFocus", FocusSerializer, FocusTenthsSerializer))
class FocusList(Told):
    """Focus points. Students and guardians see those that are being worked on; of a minor one."""

    coaches, students = FocusSerializer, FocusTenthsSerializer
    queryset = FocusPoint.objects.none()
    filterset_class = FocusFilter

    def get_queryset(self) -> QuerySet[FocusPoint]:
        if getattr(self, "swagger_fake_view", False):
            return FocusPoint.objects.none()
        rows = self.mine(
            FocusPoint.objects.select_related("check_identity__area").order_by("unit", "rank", "pk")
        )
        if self.viewer.can(Can.SEE_SCORES):
            return rows
        return rows.filter(state=FocusPoint.State.ACTIVE, pk__in=_shown_to(self.viewer))


def _shown_to(viewer: Viewer) -> set[int]:
    """What the pages of one's own show: of a minor no more than one."""
    own = Player.objects.filter(pk__in=own_player_ids(viewer)).select_related("club")
    return {point.pk for player in own for point in points_of(player)}


class HomeworkList(generics.ListAPIView):
    """Drills that were given, the newest week first, with what was logged."""

    rights = {"GET": (Can.SEE_SCORES, Can.OWN_PADEL)}
    serializer_class = HomeworkSerializer
    queryset = Homework.objects.none()
    filterset_class = HomeworkFilter

    def get_queryset(self) -> QuerySet[Homework]:
        if getattr(self, "swagger_fake_view", False):
            return Homework.objects.none()
        viewer = self.request.viewer  # type: ignore[attr-defined]
        rows = Homework.objects.filter(player__club=viewer.club, withdrawn_at=None)
        if not viewer.can(Can.SEE_SCORES):
            rows = rows.filter(player__in=own_player_ids(viewer))
        return (
            rows.select_related("player", "drill", "focus")
            .prefetch_related("logs")
            .order_by("-week_of", "pk")
        )


class HomeworkLogNew(APIView):
    """Log a drill: "8 of 10, felt easy"."""

    rights = {"POST": Can.OWN_PADEL}

    @extend_schema(request=HomeworkLogSerializer, responses={201: HomeworkLogSerializer})
    def post(self, request: Request, slug: str, homework: UUID) -> Response:
        viewer = request.viewer  # type: ignore[attr-defined]
        own = Homework.objects.filter(player__in=own_player_ids(viewer)).select_related("player__club")
        row = get_object_or_404(own, uuid=homework, player__club=viewer.club)
        sent = HomeworkLogSerializer(data=request.data)
        # The name of an entry may come a second time: that is how a repeat is known.
        sent.fields["uuid"].validators = []
        sent.is_valid(raise_exception=True)
        entry = log_homework(by=viewer.user, homework=row, **sent.validated_data)
        return Response(HomeworkLogSerializer(entry).data, status=201)
