"""What the JSON interface of court views takes and gives."""

from __future__ import annotations

import math
from typing import Any

from django.utils.translation import gettext as _
from rest_framework import serializers

from sessions.models import CourtView
from sessions.services.court import FARTHEST, LARGEST, SMALLEST

MOST_LANDMARKS, MOST_SPOTS = 30, 50
# Films are shorter than this; what is larger is no moment of one.
LONGEST_S = 1e6


class NumberField(serializers.FloatField):
    """A number that is one: the text "nan" would pass every bound."""

    def to_internal_value(self, data: Any) -> float:
        value = super().to_internal_value(data)
        if not math.isfinite(value):
            self.fail("invalid")
        return value


class PixelsField(serializers.ListField):
    """Two numbers, ``[u, v]``: from the left, and from the top, of the whole picture."""

    child = NumberField(min_value=-FARTHEST, max_value=FARTHEST)

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(min_length=2, max_length=2, **kwargs)


class LandmarksField(serializers.DictField):
    child = PixelsField()

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict) and len(data) > MOST_LANDMARKS:
            raise serializers.ValidationError(
                _("At most %(most)d landmarks can be sent.") % {"most": MOST_LANDMARKS}
            )
        return super().to_internal_value(data)


class TryCourtSerializer(serializers.Serializer):
    width = serializers.IntegerField(min_value=SMALLEST, max_value=LARGEST)
    height = serializers.IntegerField(min_value=SMALLEST, max_value=LARGEST)
    landmarks = LandmarksField(help_text="Names of the printed plan, each with its place in pixels.")


class SaveCourtSerializer(TryCourtSerializer):
    from_s = NumberField(
        min_value=0, max_value=LONGEST_S, default=0, help_text="The moment of the film from which it holds."
    )
    at_s = NumberField(
        min_value=0,
        max_value=LONGEST_S,
        default=0,
        help_text="The moment of the picture that was clicked on.",
    )
    looked = serializers.BooleanField(
        default=False, help_text="Somebody saw the lines drawn back and found them on the court."
    )


class OffSerializer(serializers.Serializer):
    name = serializers.CharField()
    u = serializers.FloatField(help_text="Where all landmarks together put it.")
    v = serializers.FloatField()
    off_px = serializers.FloatField()
    words = serializers.CharField()


class LineSerializer(serializers.Serializer):
    name = serializers.CharField()
    points = serializers.ListField(child=serializers.ListField(child=serializers.FloatField()))


class ZoneSerializer(serializers.Serializer):
    zone = serializers.CharField()
    label = serializers.CharField()
    px = serializers.FloatField(allow_null=True)
    cm = serializers.FloatField(allow_null=True)
    px_words = serializers.CharField()
    cm_words = serializers.CharField()


class TriedCourtSerializer(serializers.Serializer):
    n = serializers.IntegerField()
    rms_px = serializers.FloatField()
    rms_m = serializers.FloatField()
    distortion = serializers.FloatField()
    landmarks = OffSerializer(many=True)
    worst = serializers.CharField(allow_blank=True)
    count = serializers.CharField()
    lines = LineSerializer(many=True)
    expected = serializers.DictField(child=serializers.ListField(child=serializers.FloatField()))
    zones = ZoneSerializer(many=True)
    zone_words = serializers.CharField()
    judged = serializers.ListField(child=serializers.CharField(), help_text="What can be judged from here.")


class ViewSerializer(serializers.ModelSerializer):
    landmarks = serializers.DictField(child=serializers.ListField(child=serializers.FloatField()))
    copied = serializers.SerializerMethodField()
    looked = serializers.SerializerMethodField()

    class Meta:
        model = CourtView
        fields = ["from_s", "at_s", "width", "height", "landmarks", "rms_px", "rms_m"]
        fields += ["copied", "looked", "placed_at", "looked_at"]

    def get_copied(self, view: CourtView) -> bool:
        return view.copied_from_id is not None

    def get_looked(self, view: CourtView) -> bool:
        return view.looked_at is not None


class PlaceSerializer(serializers.Serializer):
    name = serializers.CharField()
    label = serializers.CharField()
    x = serializers.FloatField()
    y = serializers.FloatField()


class CourtSerializer(serializers.Serializer):
    plan = PlaceSerializer(many=True)
    views = ViewSerializer(many=True)


class SavedCourtSerializer(serializers.Serializer):
    view = ViewSerializer()
    fit = TriedCourtSerializer()


class SpotsSerializer(serializers.Serializer):
    at_s = NumberField(min_value=0, max_value=LONGEST_S)
    points = serializers.ListField(child=PixelsField(), min_length=1, max_length=MOST_SPOTS)


class SpotSerializer(serializers.Serializer):
    u = serializers.FloatField()
    v = serializers.FloatField()
    x = serializers.FloatField(allow_null=True, help_text="Metres across; left of the middle is negative.")
    y = serializers.FloatField(allow_null=True, help_text="Metres along; the camera's end is negative.")
    covariance = serializers.ListField(
        child=serializers.ListField(child=serializers.FloatField()), allow_null=True
    )
    inside = serializers.BooleanField()
    words = serializers.CharField()


class SpottedSerializer(serializers.Serializer):
    from_s = serializers.FloatField(help_text="The view that holds at this moment.")
    spots = SpotSerializer(many=True)
