"""Lessons and who came, through JSON."""

from __future__ import annotations

from datetime import UTC
from typing import Any
from uuid import UUID

import django_filters
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _lazy
from drf_spectacular.utils import extend_schema
from rest_framework import generics, serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import services
from sessions.models import Attendance, Lesson
from sessions.services.lessons import NOTED

WHOLE = 2**31 - 1


class AttendanceSerializer(serializers.ModelSerializer):
    player = serializers.UUIDField(source="player.uuid")
    name = serializers.CharField(source="player.name")

    class Meta:
        model = Attendance
        fields = ["player", "name", "state"]


class LessonSerializer(serializers.ModelSerializer):
    squad = serializers.CharField(source="squad.name", read_only=True, allow_null=True, default=None)
    squad_id = serializers.IntegerField(read_only=True, allow_null=True)
    coach = serializers.CharField(source="coach.name", read_only=True, allow_null=True, default=None)
    attendances = AttendanceSerializer(many=True, read_only=True)

    class Meta:
        model = Lesson
        fields = [
            "uuid",
            "squad",
            "squad_id",
            "coach",
            "starts_at",
            "minutes",
            "court",
            "plan",
            "state",
            "reason",
            "attendances",
        ]


class MomentField(django_filters.fields.IsoDateTimeField):
    """A moment in UTC: some databases refuse an offset from UTC that no place on earth has."""

    def to_python(self, value: Any) -> Any:
        found = super().to_python(value)
        try:
            return found.astimezone(UTC) if found else found
        except OverflowError:
            raise ValidationError(self.error_messages["invalid"], code="invalid") from None


class MomentFilter(django_filters.IsoDateTimeFilter):
    field_class = MomentField


class LessonFilter(django_filters.FilterSet):
    squad = django_filters.NumberFilter(field_name="squad_id", min_value=0, max_value=WHOLE)
    since = MomentFilter(field_name="starts_at", lookup_expr="gte")
    until = MomentFilter(field_name="starts_at", lookup_expr="lte")

    class Meta:
        model = Lesson
        fields = ["squad", "state", "since", "until"]


class LessonsHere:
    rights = {"GET": Can.SEE_LESSONS}
    serializer_class = LessonSerializer

    def get_queryset(self) -> QuerySet[Lesson]:
        if getattr(self, "swagger_fake_view", False):
            return Lesson.objects.none()
        viewer: Any = self.request.viewer  # type: ignore[attr-defined]
        rows = Lesson.objects.seen_by(viewer).select_related("squad", "coach")
        return rows.prefetch_related("attendances__player")


class LessonList(LessonsHere, generics.ListAPIView):
    """Lessons of the club by date, with who was expected and who came."""

    filterset_class = LessonFilter


class LessonDetail(LessonsHere, generics.RetrieveAPIView):
    lookup_field = "uuid"
    filter_backends: list[Any] = []


class StatesSerializer(serializers.Serializer):
    states = serializers.DictField(
        child=serializers.ChoiceField(choices=sorted(NOTED)),
        help_text=_lazy("By the player's uuid: came, excused or missed. Who is not named stays as they are."),
    )


class AttendanceView(APIView):
    rights = {"POST": Can.RUN_LESSONS}

    @extend_schema(operation_id="lesson_attendance", request=StatesSerializer, responses=LessonSerializer)
    def post(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Note who came, or put it right."""
        lesson = get_object_or_404(Lesson.objects.seen_by(request.viewer), uuid=uuid)
        sent = StatesSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        states = _by_key(lesson, sent.validated_data["states"])
        services.note_attendance(by=request.user, lesson=lesson, states=states)
        rows = Lesson.objects.select_related("squad", "coach").prefetch_related("attendances__player")
        return Response(LessonSerializer(rows.get(pk=lesson.pk)).data)


def _by_key(lesson: Lesson, states: dict[str, str]) -> dict[int, str]:
    keys = {str(uuid): pk for uuid, pk in lesson.attendances.values_list("player__uuid", "player")}
    unknown = sorted(set(states) - set(keys))
    if unknown:
        told = _("No player who was expected at this lesson: %(uuid)s. Nothing was saved.")
        raise ValidationError({"states": told % {"uuid": unknown[0][:40]}})
    return {keys[uuid]: state for uuid, state in states.items()}
