"""What a plan shows, in words: for who does not see the drawing, and for its legend."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from clubcoach.compute.diagram import COURT_VIEWS, place

LETTERS = "abcdefgh"
"""What the paths of a plan are called where there are several."""
VIEW_WORDS = {
    "half": _("Half a court from above, with a strip across the net, which is near the top."),
    "whole": _("The whole court from above; your end is at the bottom."),
    "wall": _("The floor in front of a wall, from above; the wall is at the top."),
    "room": _("Three by three metres of floor from above; you face the top."),
}
DEPTH_WORDS = {
    "net": _("the net"),
    "strip": _("the strip before the service line"),
    "back": _("the place behind the service line"),
    "glass": _("the back glass"),
    "far_net": _("the far side of the net"),
    "far_strip": _("the strip before the far service line"),
    "far_back": _("the place behind the far service line"),
    "far_glass": _("the far back glass"),
    "wall": _("the wall"),
    "near_wall": _("the floor near the wall"),
    "off_wall": _("the floor away from the wall"),
    "front": _("the front"),
    "middle": _("the middle of the floor"),
    "rear": _("the back"),
}
SIDE_WORDS = {"left": _("on the left"), "centre": _("in the middle"), "right": _("on the right")}
LEGEND = {
    "player": _("player"),
    "hand": _("feeder by hand"),
    "racket": _("feeder with racket"),
    "run": _("on foot"),
    "ball": _("low ball"),
    "lob": _("high ball"),
    "bounce": _("bounce"),
    "target": _("target"),
    "cone": _("marker"),
    "net": _("net"),
    "glass": _("glass or wall"),
    "mesh": _("mesh"),
}


def plan_words(court: Mapping[str, Any]) -> list[str]:
    """Sentences about a valid plan, in the order in which it is read: who stands where, then a, b, c."""
    view = court["view"]
    sentences = [str(VIEW_WORDS[view])]
    for player in court["players"]:
        sentences.append(
            gettext("Player %(number)s starts at %(place)s.")
            % {"number": player["id"][1:], "place": _place(view, player["at"])}
        )
    if feeder := court.get("feeder"):
        by_hand = gettext("The feeder stands at %(place)s and throws by hand.")
        with_racket = gettext("The feeder stands at %(place)s and uses the racket.")
        words = by_hand if feeder["how"] == "hand" else with_racket
        sentences.append(words % {"place": _place(view, feeder["at"])})
    sentences += [_path_words(court, number) for number in range(len(court.get("paths", [])))]
    for field, words in (
        ("bounces", gettext("The ball bounces at %(place)s.")),
        ("targets", gettext("There is a target at %(place)s.")),
        ("cones", gettext("There is a marker at %(place)s.")),
    ):
        for mark in court.get(field, []):
            point = mark["at"] if isinstance(mark, Mapping) else mark
            sentences.append(words % {"place": _place(view, point)})
    return sentences


def legend_words(court: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Kind and word of everything that the plan shows, and of nothing else."""
    shown = {"player"} | {path["kind"] for path in court.get("paths", [])}
    shown |= {field[:-1] for field in ("bounces", "targets", "cones") if court.get(field)}
    if feeder := court.get("feeder"):
        shown.add(feeder["how"])
    if court["view"] in COURT_VIEWS:
        shown |= {"net", "glass", "mesh"}
    elif court["view"] == "wall":
        shown.add("glass")
    return [(kind, str(words)) for kind, words in LEGEND.items() if kind in shown]


def _path_words(court: Mapping[str, Any], number: int) -> str:
    path = court["paths"][number]
    start, *rest = path["points"]
    # Two points at one named place are one place to a reader.
    places: list[str] = []
    for point in rest:
        words = _who_or_where(court, point)
        if words not in places[-1:]:
            places.append(words)
    sentence = {
        "run": gettext("On foot from %(start)s to %(places)s."),
        "ball": gettext("Low ball from %(start)s to %(places)s."),
        "lob": gettext("High ball from %(start)s to %(places)s."),
    }[path["kind"]] % {"start": _who_or_where(court, start), "places": gettext(", then to ").join(places)}
    if len(court["paths"]) == 1:
        return sentence
    return gettext("%(letter)s: %(sentence)s") % {"letter": LETTERS[number], "sentence": sentence}


def _who_or_where(court: Mapping[str, Any], point: Sequence[float]) -> str:
    for player in court["players"]:
        if math.dist(player["at"], point) < 0.05:
            return gettext("player %(number)s") % {"number": player["id"][1:]}
    feeder = court.get("feeder")
    if feeder and math.dist(feeder["at"], point) < 0.05:
        return gettext("the feeder")
    return _place(court["view"], point)


def _place(view: str, point: Sequence[float]) -> str:
    depth, side = place(view, point)
    return gettext("%(depth)s %(side)s") % {"depth": DEPTH_WORDS[depth], "side": SIDE_WORDS[side]}
