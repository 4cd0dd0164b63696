from typing import Any

from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema_field
from rest_framework import generics, serializers

from clubcoach.access import Can
from players.lists import current_list
from players.models import CheckListVersion, Drill, Level, LevelStandard, Player, own_player_ids
from players.models.lists import DrillQuerySet


class StandardSerializer(serializers.ModelSerializer):
    area = serializers.SlugRelatedField(slug_field="code", read_only=True)

    class Meta:
        model = LevelStandard
        fields = ["area", "score"]


class LevelSerializer(serializers.ModelSerializer):
    standards = StandardSerializer(many=True, read_only=True)

    class Meta:
        model = Level
        fields = ["id", "position", "name", "description", "standards"]


class LevelNameSerializer(serializers.ModelSerializer):
    class Meta:
        model = Level
        fields = ["id", "position", "name"]


class PlayerSerializer(serializers.ModelSerializer):
    level = LevelNameSerializer(read_only=True, allow_null=True)
    initials = serializers.CharField(read_only=True)
    born_in = serializers.SerializerMethodField(help_text=_("Year of birth; told to coaches only."))

    class Meta:
        model = Player
        fields = [
            "uuid",
            "given_name",
            "family_name",
            "initials",
            "level",
            "hand",
            "side",
            "active",
            "born_in",
        ]

    @extend_schema_field(serializers.IntegerField(allow_null=True))
    def get_born_in(self, player: Player) -> int | None:
        viewer = self.context["request"].viewer
        return player.born_on.year if player.born_on and viewer.can(Can.SEE_SCORES) else None


class CheckListSerializer(serializers.ModelSerializer):
    data = serializers.DictField(help_text=_("The whole list as it was installed: areas and checks."))

    class Meta:
        model = CheckListVersion
        fields = ["number", "name", "created_at", "data"]


class DrillSerializer(serializers.ModelSerializer):
    areas = serializers.SlugRelatedField(slug_field="code", many=True, read_only=True)
    checks = serializers.SlugRelatedField(slug_field="code", many=True, read_only=True)
    kit = serializers.ListField(child=serializers.CharField())
    loads = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())
    steps = serializers.ListField(child=serializers.CharField())
    court = serializers.DictField(
        help_text=_("Plan of the court in metres, the net's middle as origin; empty where there is none.")
    )

    class Meta:
        model = Drill
        fields = [
            "code",
            "name",
            "areas",
            "checks",
            "stage",
            "place",
            "players_min",
            "players_max",
            "kit",
            "minutes",
            "dose",
            "passing",
            "overheads",
            "loads",
            "cautions",
            "steps",
            "court",
            "source",
            "own",
            "copied_from",
            "retired_on",
        ]


class PlayerFilter(filters.FilterSet):
    level = filters.NumberFilter(
        field_name="level_id", label=_("id of a level"), min_value=0, max_value=2**31 - 1
    )
    name = filters.CharFilter(method="by_name", label=_("part of a name"))

    class Meta:
        model = Player
        fields = ["level", "name", "side", "active"]

    def by_name(self, players: QuerySet[Player], name: str, value: str) -> QuerySet[Player]:
        for word in value.split():
            players = players.filter(Q(given_name__icontains=word) | Q(family_name__icontains=word))
        return players


class DrillFilter(filters.FilterSet):
    area = filters.CharFilter(field_name="areas__code", label=_("code of an area"))
    check = filters.CharFilter(field_name="checks__code", label=_("code of a check"))
    players = filters.NumberFilter(
        method="by_players", label=_("how many players are there"), min_value=1, max_value=4
    )
    word = filters.CharFilter(method="by_word", label=_("words in name, steps or dose"), max_length=80)
    retired = filters.BooleanFilter(
        method="by_retired", label=_("true: also drills that are out of use, for coaches")
    )

    class Meta:
        model = Drill
        fields = ["area", "check", "stage", "place", "players", "word", "retired"]

    def by_players(self, drills: DrillQuerySet, name: str, value: Any) -> DrillQuerySet:
        return drills.for_players(int(value))

    def by_word(self, drills: DrillQuerySet, name: str, value: str) -> DrillQuerySet:
        return drills.saying(value)

    def by_retired(self, drills: DrillQuerySet, name: str, value: bool) -> DrillQuerySet:
        # What is out of use stays out unless it is asked for: see filter_queryset.
        return drills

    def filter_queryset(self, queryset: Any) -> Any:
        drills = super().filter_queryset(queryset)
        return drills if self.form.cleaned_data.get("retired") else drills.filter(retired_on=None)


class PlayersHere:
    """Coaches and the manager read the roster; others the players that they are or look after."""

    rights = {"GET": (Can.SEE_ROSTER, Can.OWN_PADEL)}
    queryset = Player.objects.none()
    serializer_class = PlayerSerializer
    filterset_class = PlayerFilter
    lookup_field = "uuid"
    lookup_url_kwarg = "player"

    def get_queryset(self) -> QuerySet[Player]:
        if getattr(self, "swagger_fake_view", False):
            return Player.objects.none()
        viewer = self.request.viewer  # type: ignore[attr-defined]
        players = Player.objects.filter(club=viewer.club).select_related("level")
        return players if viewer.can(Can.SEE_ROSTER) else players.filter(pk__in=own_player_ids(viewer))


class PlayerList(PlayersHere, generics.ListAPIView):
    """Players of the club, by family name."""


class PlayerDetail(PlayersHere, generics.RetrieveAPIView):
    """One player."""


class LevelList(generics.ListAPIView):
    """The club's levels, lowest first, with the score that each expects in each area."""

    rights = {"GET": Can.BE_HERE}
    queryset = Level.objects.prefetch_related("standards__area")
    serializer_class = LevelSerializer

    def get_queryset(self) -> QuerySet[Level]:
        return super().get_queryset().filter(club__slug=self.kwargs.get("slug"))


class CheckListNow(generics.RetrieveAPIView):
    """The current version of the club's check list."""

    rights = {"GET": Can.BE_HERE}
    queryset = CheckListVersion.objects.none()
    serializer_class = CheckListSerializer

    def get_object(self) -> Any:
        version = current_list(self.request.viewer.club)
        return version or get_object_or_404(CheckListVersion.objects.none())


class DrillsHere:
    """Everybody of the club reads the drills in use; coaches also those that are out of use."""

    rights = {"GET": Can.BE_HERE}
    queryset = Drill.objects.none()
    serializer_class = DrillSerializer

    def get_queryset(self) -> DrillQuerySet:
        if getattr(self, "swagger_fake_view", False):
            return Drill.objects.none()
        viewer = self.request.viewer  # type: ignore[attr-defined]
        return Drill.objects.seen_by(viewer).prefetch_related("areas", "checks").order_by("code")


class DrillList(DrillsHere, generics.ListAPIView):
    """The club's drills, those in use unless also retired ones are asked for."""

    filterset_class = DrillFilter


class DrillDetail(DrillsHere, generics.RetrieveAPIView):
    """One drill."""

    lookup_field = "code"
    lookup_url_kwarg = "drill"
