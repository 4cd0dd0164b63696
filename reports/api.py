"""The JSON interface of what follows from analyses: scores, focus points, homework.

Coaches get scores with their interval; students and guardians get tenths, as their pages do, and only their own.
"""

from typing import Any
from uuid import UUID

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
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
from clubcoach.compute.intervals import Tenths, tenths
from players.models import Player, Unit
from reports.focus import points_of
from reports.homework import log_homework
from reports.models import FocusPoint, Homework, HomeworkLog, Score
from reports.severity import severities
from reports.trend import Standing

READ = (Can.SEE_SCORES, Can.OWN_PADEL)


def units_of(viewer: Viewer) -> QuerySet[Unit]:
    """The units whose page this person may open: their own ones as a player and as a pair, for coaches all."""
    players = Player.objects.seen_by(viewer).values("pk")
    return Unit.objects.filter(club=viewer.club).filter(Q(first__in=players) | Q(second__in=players))


class UnitSerializer(serializers.ModelSerializer):
    players = serializers.SerializerMethodField(help_text=_("UUIDs of the player, or of both of a pair."))

    class Meta:
        model = Unit
        fields = ["kind", "players"]

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_players(self, unit: Unit) -> list[UUID]:
        return [player.uuid for player in (unit.first, unit.second) if player is not None]


class EnoughSerializer(serializers.ModelSerializer):
    """Whether enough was seen by that day for a page to show the score, and about how many checks are missing."""

    enough = serializers.SerializerMethodField(
        help_text=_(
            "15 checks over two match days and an interval under 25 points: else pages say what is missing."
        )
    )
    about_more = serializers.SerializerMethodField(
        help_text=_("About so many more checks until it is enough; 0 when it is.")
    )

    def get_enough(self, row: Any) -> bool:
        return Standing(row, row.days).enough

    def get_about_more(self, row: Any) -> int:
        standing = Standing(row, row.days)
        return 0 if standing.enough else standing.about_more


class ScoreSerializer(EnoughSerializer):
    """Numbers between 0 and 100; severity of analysts and hard balls are taken out of them."""

    unit = UnitSerializer(read_only=True)
    area = serializers.SlugRelatedField(slug_field="code", read_only=True)

    class Meta:
        model = Score
        fields = [
            "unit",
            "area",
            "series",
            "day",
            "score",
            "low",
            "high",
            "n",
            "enough",
            "about_more",
            "better_than_first",
        ]


class OwnScoreSerializer(EnoughSerializer):
    """What students and guardians read: about so many in ten, and between which it may be."""

    unit = UnitSerializer(read_only=True)
    area = serializers.SlugRelatedField(slug_field="code", read_only=True)
    about = serializers.SerializerMethodField()
    low = serializers.SerializerMethodField()
    high = serializers.SerializerMethodField()

    class Meta:
        model = Score
        fields = ["unit", "area", "series", "day", "about", "low", "high", "n", "enough", "about_more"]

    def get_about(self, row: Score) -> int:
        return formatting.tenths(row.score / 100)

    def get_low(self, row: Score) -> int:
        return formatting.tenths_range(row.low / 100, row.high / 100)[0]

    def get_high(self, row: Score) -> int:
        return formatting.tenths_range(row.low / 100, row.high / 100)[1]


class TenthsSerializer(serializers.Serializer):
    """About so many in ten, and between which it may be; nothing before anything was seen."""

    about = serializers.IntegerField(allow_null=True)
    low = serializers.IntegerField()
    high = serializers.IntegerField()
    n = serializers.IntegerField()


class FocusSerializer(serializers.ModelSerializer):
    unit = UnitSerializer(read_only=True)
    check_code = serializers.CharField(source="check_identity.code", read_only=True)
    area = serializers.CharField(source="check_identity.area.code", read_only=True)
    seen_then = serializers.SerializerMethodField(
        help_text=_("What was seen when it was proposed, in tenths.")
    )

    class Meta:
        model = FocusPoint
        fields = [
            "unit",
            "check_code",
            "area",
            "state",
            "words",
            "cue",
            "started_on",
            "ended_on",
            "seen_then",
        ]

    @extend_schema_field(TenthsSerializer)
    def get_seen_then(self, focus: FocusPoint) -> dict[str, int | None]:
        found: Tenths = tenths(focus.met, focus.seen)
        return {"about": found.about, "low": found.low, "high": found.high, "n": found.n}


class LogSerializer(serializers.ModelSerializer):
    uuid = serializers.UUIDField(help_text=_("Made on the device: sent twice it is one entry."))

    class Meta:
        model = HomeworkLog
        fields = ["uuid", "done_on", "good", "tried", "felt"]


class HomeworkSerializer(serializers.ModelSerializer):
    player = serializers.SlugRelatedField(slug_field="uuid", read_only=True)
    drill = serializers.SlugRelatedField(slug_field="code", read_only=True)
    logs = LogSerializer(many=True, read_only=True)

    class Meta:
        model = Homework
        fields = ["uuid", "player", "drill", "week_of", "times", "withdrawn_at", "logs"]


class ScoreFilter(filters.FilterSet):
    player = filters.UUIDFilter(method="by_player", label=_("UUID of a player, also as one of a pair"))
    area = filters.CharFilter(field_name="area__code", label=_("code of an area"))
    since = filters.DateFilter(field_name="day", lookup_expr="gte", label=_("from this day on"))

    class Meta:
        model = Score
        fields = ["player", "area", "series", "since"]

    def by_player(self, scores: QuerySet[Score], name: str, value: UUID) -> QuerySet[Score]:
        return scores.filter(Q(unit__first__uuid=value) | Q(unit__second__uuid=value))


class FocusFilter(filters.FilterSet):
    player = filters.UUIDFilter(method="by_player", label=_("UUID of a player, also as one of a pair"))

    class Meta:
        model = FocusPoint
        fields = ["player", "state"]

    def by_player(self, points: QuerySet[FocusPoint], name: str, value: UUID) -> QuerySet[FocusPoint]:
        return points.filter(Q(unit__first__uuid=value) | Q(unit__second__uuid=value))


class HomeworkFilter(filters.FilterSet):
    player = filters.UUIDFilter(field_name="player__uuid", label=_("UUID of a player"))

    class Meta:
        model = Homework
        fields = ["player", "week_of"]


def _days_so_far() -> Subquery:
    """On how many days something new was seen of the area, up to the row's own."""
    so_far = Score.objects.filter(
        unit=OuterRef("unit"), area=OuterRef("area"), series=OuterRef("series"), day__lte=OuterRef("day")
    )
    return Subquery(so_far.order_by().values("unit").annotate(days=Count("n", distinct=True)).values("days"))


@extend_schema(
    responses=PolymorphicProxySerializer(
        "ToldScore", [ScoreSerializer, OwnScoreSerializer], resource_type_field_name=None, many=True
    )
)
class ScoreList(generics.ListAPIView):
    """Scores by unit, area and match day: "now" as seen today, "then" as told when it was published.

    Coaches read everybody's in numbers, students and guardians their own in tenths.
    """

    rights = {"GET": READ}
    filterset_class = ScoreFilter
    queryset = Score.objects.none()

    def get_serializer_class(self) -> Any:
        request: Any = self.request
        return ScoreSerializer if request.viewer.can(Can.SEE_SCORES) else OwnScoreSerializer

    def get_queryset(self) -> QuerySet[Score]:
        request: Any = self.request
        if getattr(self, "swagger_fake_view", False):
            return Score.objects.none()
        return (
            Score.objects.filter(club=request.viewer.club, unit__in=units_of(request.viewer))
            .annotate(days=_days_so_far())
            .select_related("unit__first", "unit__second", "area")
            .order_by("day", "pk")
        )


class SeveritySerializer(serializers.Serializer):
    """How strict an analyst is against the club's average one. Scores are free of it."""

    analyst = serializers.CharField(help_text=_("Name of the analyst."))
    severity = serializers.FloatField(
        allow_null=True,
        help_text=_("Logits above the average analyst: above 0 is strict. Null until a full fit."),
    )
    sd = serializers.FloatField(allow_null=True, help_text=_("Standard deviation of it, in logits."))
    words = serializers.CharField(help_text=_("The same in words, as far as it is sure."))
    n = serializers.IntegerField(help_text=_("Checks that the analyst saw and that count now."))


class SeverityList(APIView):
    """Analysts by name with their strictness as the last full fit found it; an assistant gets the own row only."""

    rights = {"GET": (Can.REVIEW, Can.CODE)}

    @extend_schema(operation_id="severity_list", responses=SeveritySerializer(many=True))
    def get(self, request: Any, slug: str) -> Response:
        return Response(SeveritySerializer(severities(request.viewer), many=True).data)


class FocusList(generics.ListAPIView):
    rights = {"GET": READ}
    serializer_class = FocusSerializer
    filterset_class = FocusFilter
    queryset = FocusPoint.objects.none()

    def get_queryset(self) -> QuerySet[FocusPoint]:
        request: Any = self.request
        if getattr(self, "swagger_fake_view", False):
            return FocusPoint.objects.none()
        points = FocusPoint.objects.filter(unit__in=units_of(request.viewer))
        if not request.viewer.can(Can.SEE_SCORES):
            # What the coach took off the page is not read here either, and of a minor there is one point.
            players = Player.objects.seen_by(request.viewer).select_related("club")
            shown = {point.pk for player in players for point in points_of(player)}
            points = points.filter(pk__in=shown)
        return points.select_related("unit__first", "unit__second", "check_identity__area").order_by(
            "rank", "pk"
        )


class HomeworkList(generics.ListAPIView):
    rights = {"GET": READ}
    serializer_class = HomeworkSerializer
    filterset_class = HomeworkFilter
    queryset = Homework.objects.none()

    def get_queryset(self) -> QuerySet[Homework]:
        request: Any = self.request
        if getattr(self, "swagger_fake_view", False):
            return Homework.objects.none()
        return (
            Homework.objects.filter(player__in=Player.objects.seen_by(request.viewer))
            .select_related("player", "drill")
            .prefetch_related("logs")
            .order_by("-week_of", "pk")
        )


class HomeworkLogs(APIView):
    rights = {"POST": Can.OWN_PADEL}

    @extend_schema(operation_id="homework_log", request=LogSerializer, responses={201: LogSerializer})
    def post(self, request: Any, slug: str, homework: UUID) -> Response:
        row = get_object_or_404(
            Homework.objects.filter(player__in=Player.objects.seen_by(request.viewer)).select_related(
                "player__club"
            ),
            uuid=homework,
        )
        return Response(LogSerializer(_log(request, row)).data, status=201)


def _log(request: Request, row: Homework) -> HomeworkLog:
    sent = LogSerializer(data=request.data)
    # What is wrong with the numbers is said by the service, in the same words as on the page.
    sent.fields["good"].validators = sent.fields["tried"].validators = []
    sent.is_valid(raise_exception=True)
    return log_homework(by=request.user, homework=row, **sent.validated_data)
