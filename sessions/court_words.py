"""What pages and answers say about a court view: its landmarks, its errors, what can be judged from there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.urls import reverse
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _lazy
from django.utils.translation import ngettext

from clubcoach.compute.court import CourtError
from clubcoach.compute.court_reach import Reach
from clubcoach.formatting import clock, measure
from sessions.models import Film

# Four out of five of a normal spread lie within so many standard deviations.
FOUR_IN_FIVE = 1.2816
# A spot this near the middle or the net is said to be on it, metres.
ON_IT = 0.05
# Landmarks from which on a view is as good as clicks make it (METHODS: four to six centimetres from eight on).
PLENTY = 8
# With fewer the clicks say next to nothing of the lens.
SEEN = 6

NAMES: dict[str, str | Promise] = {
    "near left corner": _lazy("near left corner"),
    "near right corner": _lazy("near right corner"),
    "far left corner": _lazy("far left corner"),
    "far right corner": _lazy("far right corner"),
    "near left service": _lazy("left end of the near service line"),
    "near right service": _lazy("right end of the near service line"),
    "far left service": _lazy("left end of the far service line"),
    "far right service": _lazy("right end of the far service line"),
    "near centre": _lazy("middle of the near service line"),
    "far centre": _lazy("middle of the far service line"),
    "left post": _lazy("foot of the left net post"),
    "right post": _lazy("foot of the right net post"),
    "net centre": _lazy("middle of the net, on the floor"),
}


def landmark(name: str) -> str:
    return str(NAMES.get(name, name))


def where(name: str) -> str:
    """What exactly is clicked on: half a line's width is as much as a good view is wrong by."""
    if name.endswith("corner"):
        return _("where the back wall and the side wall meet on the floor")
    if name.endswith("service"):
        return _("where the middle of the line's width meets the side wall")
    if name.endswith("post"):
        return _("the outer side of the post, where it stands on the floor")
    if name == "net centre":
        return _("on the floor under the net's middle strap, in line with the central line")
    return _("where the lines cross; not the end of the central line, which runs on a little")


def refusal(error: CourtError, names: Sequence[str]) -> str:
    """Why no court fits the landmarks, and what to do. ``names`` are theirs, in the order in which they were given."""
    facts = error.facts
    one = [facts["index"]] if "index" in facts else facts.get("indices", [])
    meant = [landmark(names[index]) for index in facts.get("swapped", one)]
    sentences = _refusals(meant, facts)
    return sentences.get(error.code) or _("No court fits these landmarks. Look at each again.")


def _refusals(meant: Sequence[str], facts: Mapping[str, Any]) -> dict[str, str]:
    listed = {"names": ", ".join(meant)}
    return {
        "too_few": _(
            "Four landmarks are needed at least. Set six or more: with fewer the lens stays unknown. Eight or more"
            " make a good view."
        ),
        "in_a_line": _(
            "The landmarks lie too nearly in one line, so that the court could lie in any way round it. Add one that"
            " is well off that line: a corner of the other side, or a foot of a net post."
        ),
        "mirrored": _mirrored(meant, facts),
        "too_far_off": _too_far_off(meant, facts),
        "outside": _("Too far outside the picture: %(names)s. Take out what is not in the picture.") % listed,
        "not_numbers": _("Not a place in pixels: %(names)s.") % listed,
        "twice": _("On one and the same place: %(names)s. Set one of them anew, or take it out.") % listed,
    }


def _mirrored(meant: Sequence[str], facts: Mapping[str, Any]) -> str:
    how = facts.get("how", "")
    if how == "turned":
        return _(
            "The court stands the wrong way round: near and far are exchanged. Near is the camera's end, and lies"
            " lower in the picture."
        )
    if how == "left_right":
        return _(
            "The landmarks are those of a court seen in a mirror: left and right are exchanged. Left is what lies"
            " left in the picture."
        )
    words = _("No camera sees the landmarks in this order.")
    if "swapped" in facts or "index" in facts:
        return f"{words} {_which(meant, facts)}"
    return f"{words} {_('Two of them have changed places. Compare each with its number on the plan.')}"


def _too_far_off(meant: Sequence[str], facts: Mapping[str, Any]) -> str:
    by = _far(float(facts.get("rms_m", float("inf"))))
    words = _("The landmarks contradict each other by %(by)s; up to 25 cm is taken.") % {"by": by}
    if meant:
        return f"{words} {_which(meant, facts)}"
    return f"{words} {_('At least one stands on another place than its name says: look at each again.')}"


def _which(meant: Sequence[str], facts: Mapping[str, Any]) -> str:
    """The slip that explains it: two named for each other, or one without which the rest fits."""
    if "swapped" in facts:
        told = {"first": meant[0], "second": meant[1]}
        return _("The %(first)s and the %(second)s have changed places: set both anew.") % told
    told = {"name": meant[0]}
    if "off_m" in facts:
        told["by"] = _far(float(facts["off_m"]))
        return _("The %(name)s lies %(by)s from where the others put it: look at that one again.") % told
    return _("Without the %(name)s the others fit best: look at that one again.") % told


def _far(metres: float) -> str:
    # Beyond ten metres the figure says nothing any more.
    return centimetres(metres) if metres < 10 else _("many metres")


def centimetres(metres: float) -> str:
    """'4 cm', '35 cm', '1.2 m'; never more exact than that."""
    if metres >= 0.995:
        return measure(round(metres, 1), "m")
    return _("%(figure)d cm") % {"figure": max(1, round(metres * 100))}


def pixels(value: float) -> str:
    figure = f"{value:.1f}" if value < 10 else f"{value:.0f}"
    return _("%(figure)s px") % {"figure": figure}


def count(n: int) -> str:
    """How far so many landmarks check each other."""
    if n == 4:
        four = _("Four landmarks fit every picture: a fifth shows whether they are right.")
        return f"{four} {_lens_unknown()}"
    if n < SEEN:
        five = ngettext("%(n)d landmark.", "%(n)d landmarks.", n) % {"n": n}
        return f"{five} {_lens_unknown()}"
    if n < PLENTY:
        return ngettext(
            "%(n)d landmark. With eight or more the error is about a third of that with six: add the feet of the net"
            " posts and the ends of the service lines.",
            "%(n)d landmarks. With eight or more the error is about a third of that with six: add the feet of the net"
            " posts and the ends of the service lines.",
            n,
        ) % {"n": n}
    return ngettext("%(n)d landmark.", "%(n)d landmarks.", n) % {"n": n}


def _lens_unknown() -> str:
    return _(
        "With fewer than six the bend of the lens stays unknown, and what is said here of errors is rough: add the"
        " feet of the net posts and the ends of the service lines."
    )


def worst(name: str, off_px: float) -> str:
    """Which landmark to look at again."""
    return _("The %(name)s is %(off)s off: look at it again.") % {
        "name": landmark(name),
        "off": ngettext("%(n)d pixel", "%(n)d pixels", round(off_px)) % {"n": round(off_px)},
    }


def spot(x: float, y: float, sd_x: float, sd_y: float) -> str:
    """'3.4 m from the net on the near half, give or take 0.2 m; 1.1 m left of the middle, give or take 0.1 m'."""
    return _("%(depth)s; %(across)s") % {"depth": _depth(y, sd_y), "across": _across(x, sd_x)}


def _depth(y: float, sd: float) -> str:
    facts = {"figure": _tenth(abs(y)), "about": _about(sd)}
    if abs(y) < ON_IT:
        return _("under the net, give or take %(about)s") % facts
    if y < 0:
        return _("%(figure)s from the net on the near half, give or take %(about)s") % facts
    return _("%(figure)s from the net on the far half, give or take %(about)s") % facts


def _across(x: float, sd: float) -> str:
    facts = {"figure": _tenth(abs(x)), "about": _about(sd)}
    if abs(x) < ON_IT:
        return _("on the middle, give or take %(about)s") % facts
    if x < 0:
        return _("%(figure)s left of the middle, give or take %(about)s") % facts
    return _("%(figure)s right of the middle, give or take %(about)s") % facts


def _tenth(metres: float) -> str:
    return measure(round(metres, 1), "m")


def _about(sd: float) -> str:
    return _tenth(max(0.1, FOUR_IN_FIVE * sd))


def no_spot() -> str:
    return _("That is not on the floor: it lies at the horizon or above it.")


def beside_court() -> str:
    """Said after a spot that lies outside the walls by more than its error explains."""
    return _("That is outside the court.")


ZONES: dict[str, str | Promise] = {
    "near": _lazy("near half"),
    "middle": _lazy("round the net"),
    "far": _lazy("far half"),
}
# What a spread of a spot in metres is called.
GOOD_M, FAIR_M, ROUGH_M = 0.15, 0.35, 0.6


def zone(name: str) -> str:
    return str(ZONES.get(name, name))


def zone_sentence(spreads: Mapping[str, float]) -> str:
    """'Good on the near half; on the far half to about half a metre.'"""
    near, far = _how_good(spreads["near"]), _how_good(spreads["far"])
    if near == far:
        return _("Both halves: %(how)s.") % {"how": near}
    return _("On the near half: %(near)s; on the far half: %(far)s.") % {"near": near, "far": far}


def _how_good(spread: float) -> str:
    if not spread <= ROUGH_M:
        return _("too rough for measuring")
    if spread <= GOOD_M:
        return _("good")
    return _("to about %(figure)s") % {"figure": _("half a metre") if spread > FAIR_M else _("30 cm")}


WHY: dict[str, str | Promise] = {
    "not_seen": _lazy("that floor is not in the picture"),
    "too_coarse": _lazy("a click there is too rough to decide it"),
    "too_small": _lazy("players are too small there"),
    "needs_1080": _lazy("it needs a film of 1080p"),
}


def judged(
    areas: Mapping[str, str], checks: Mapping[str, Mapping[str, Any]], rows: Sequence[Reach]
) -> list[str]:
    """'From this place we can judge ...', then by reason what not, with its area and at which end."""
    ends: dict[str, dict[str, Reach]] = {}
    for row in rows:
        ends.setdefault(row.code, {})[row.end] = row
    by_area = {code: [row for row in checks.values() if row["area"] == code] for code in areas}
    parts = [_part(areas[area], asked, ends) for area, asked in by_area.items()]
    can = ", ".join(part for part in parts if part)
    told = [_("From this place we can judge: %(areas)s.") % {"areas": can}] if can else []
    return told + _not_judged(areas, by_area, ends)


def _part(name: str, asked: Sequence[Mapping[str, Any]], ends: Mapping[str, Mapping[str, Reach]]) -> str:
    """An area with how much of it can be judged; nothing where it is none."""
    answers = [row.can for check in asked for row in ends.get(check["code"], {}).values()]
    if not any(answers):
        return ""
    return name if all(answers) else _("%(area)s in part") % {"area": name}


def _not_judged(
    areas: Mapping[str, str],
    by_area: Mapping[str, Sequence[Mapping[str, Any]]],
    ends: Mapping[str, Mapping[str, Reach]],
) -> list[str]:
    lists: dict[tuple[str, str], list[str]] = {}
    for area, asked in by_area.items():
        for check in asked:
            rows = ends.get(check["code"], {})
            for row in rows.values():
                # At an end at which the check is never asked nothing is missing.
                if not row.can:
                    lists.setdefault((row.end, row.why), []).append(
                        _("%(check)s (%(area)s)") % {"check": check["name"], "area": areas[area]}
                    )
    return [_not(end, why, names) for (end, why), names in lists.items()]


def _not(end: str, why: str, names: Sequence[str]) -> str:
    facts = {"checks": ", ".join(names), "why": WHY.get(why, why)}
    if end == "near":
        return _("Not at the near end: %(checks)s; %(why)s.") % facts
    return _("Not at the far end: %(checks)s; %(why)s.") % facts


def summary(film: Film) -> dict[str, Any]:
    """For the part `sessions/parts/court_summary.html` of a film's page."""
    # It stands on this module's sentences.
    from sessions import court_reading
    from sessions.services.court import may_be_placed

    views = list(film.court_views.all())
    here = (film.club.slug, film.uuid)
    told: dict[str, Any] = {
        "views": len(views),
        "looked": all(view.looked_at for view in views),
        "url": reverse("court_view", args=here),
        "phone_url": reverse("phone_place", args=here[:1]),
        "may_be_placed": not may_be_placed(film),
        "unlooked": _("Nobody has looked yet whether the court's lines lie on the court."),
        "from_words": "",
        "judged": [],
        "words": _("No court is placed yet: spots cannot be told in metres."),
    }
    if not views:
        return told
    fit = court_reading.fit_of_view(views[0])
    told["words"] = court_reading.zone_sentence(fit)
    told["judged"] = court_reading.judged(fit, film)
    if len(views) > 1:
        moments = ", ".join(clock(view.from_s) for view in views)
        told["from_words"] = _("The phone was moved: views from %(moments)s on.") % {"moments": moments}
    return told
