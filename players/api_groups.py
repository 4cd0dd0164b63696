"""Squads through JSON."""

from typing import Any

from django.db.models import Prefetch, QuerySet
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from rest_framework import generics, serializers

from clubcoach.access import Can
from players.api import LevelNameSerializer
from players.models import Player, Squad


class SquadPlayerSerializer(serializers.ModelSerializer):
    class Meta:
        model = Player
        fields = ["uuid", "given_name", "family_name"]


class SquadSerializer(serializers.ModelSerializer):
    level = LevelNameSerializer(read_only=True, allow_null=True)
    coach = serializers.CharField(source="coach.name", read_only=True, allow_null=True, default=None)
    players = SquadPlayerSerializer(many=True, read_only=True)

    class Meta:
        model = Squad
        fields = ["id", "name", "level", "coach", "retired_on", "players"]


class SquadFilter(filters.FilterSet):
    retired = filters.BooleanFilter(
        field_name="retired_on", lookup_expr="isnull", exclude=True, label=_("retired ones, or those in use")
    )

    class Meta:
        model = Squad
        fields = ["retired"]


class SquadsHere:
    rights = {"GET": Can.SEE_ROSTER}
    serializer_class = SquadSerializer
    filterset_class = SquadFilter

    def get_queryset(self) -> QuerySet[Squad]:
        if getattr(self, "swagger_fake_view", False):
            return Squad.objects.none()
        viewer: Any = self.request.viewer  # type: ignore[attr-defined]
        players = Prefetch("players", Player.objects.filter(active=True))
        return (
            Squad.objects.filter(club=viewer.club).select_related("level", "coach").prefetch_related(players)
        )


class SquadList(SquadsHere, generics.ListAPIView):
    """Squads of the club with their players, by name."""


class SquadDetail(SquadsHere, generics.RetrieveAPIView):
    """One squad."""

    lookup_url_kwarg = "squad"
    filter_backends: list[Any] = []
