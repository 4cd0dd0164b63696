"""What follows from a court view: the fitted court, its errors, its lines in the picture, spots in metres."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from clubcoach.compute import court_reach
from clubcoach.compute.court import LANDMARKS, CourtFit, calibrate
from clubcoach.models import Club
from players.models import CheckListVersion
from sessions import court_plan, court_words
from sessions.models import CourtView, Film

# How far a click of a person lies off, pixels of a picture of 1280 (METHODS: two to three).
CLICK_SD = 2.0
HALF_WIDTH, HALF_LENGTH = 5.0, 10.0


def fit_of(places: Mapping[str, Sequence[float]], width: int, height: int) -> CourtFit:
    """The court through named landmarks; a larger picture is clicked as exactly as a small one, on the same screen."""
    names = list(places)
    return calibrate(
        [list(places[name]) for name in names],
        [LANDMARKS[name] for name in names],
        image_size=(width, height),
        click_sd=CLICK_SD * max(1.0, width / 1280),
    )


def view_at(film: Film, at_s: float) -> CourtView | None:
    """The view that holds at a moment of the film: the last one that has begun."""
    return film.court_views.filter(from_s__lte=at_s).order_by("-from_s").first()


def fit_of_view(view: CourtView) -> CourtFit:
    return fit_of(view.landmarks, view.width, view.height)


def told(fit: CourtFit, places: Mapping[str, Sequence[float]], film: Film) -> dict[str, Any]:
    """Everything that a page says about landmarks that fit: numbers, and the words for them."""
    marks = residuals(fit, places)
    odd = None if fit.odd is None else marks[fit.odd]
    return {
        "n": fit.n,
        "rms_px": round(fit.rms_px, 2),
        "rms_m": round(fit.rms_m, 3),
        "distortion": round(fit.distortion, 4),
        "landmarks": marks,
        "worst": court_words.worst(odd["name"], odd["off_px"]) if odd else "",
        "count": court_words.count(fit.n),
        "lines": court_plan.lines_in_picture(fit),
        "expected": expected(fit, places),
        "zones": zone_rows(fit, marks),
        "zone_words": zone_sentence(fit),
        "judged": judged(fit, film),
    }


def residuals(fit: CourtFit, places: Mapping[str, Sequence[float]]) -> list[dict[str, Any]]:
    """Where each landmark lies by all of them together, and how far from there it was clicked."""
    drawn = fit.to_image([LANDMARKS[name] for name in places])
    rows = []
    for (name, (u, v)), (fitted_u, fitted_v) in zip(places.items(), drawn, strict=True):
        off = math.hypot(fitted_u - u, fitted_v - v)
        rows.append(
            {
                "name": name,
                "u": round(float(fitted_u), 2),
                "v": round(float(fitted_v), 2),
                "off_px": round(off, 2),
                "words": court_words.pixels(off),
            }
        )
    return rows


def expected(fit: CourtFit, places: Mapping[str, Sequence[float]]) -> dict[str, list[float]]:
    """Where the landmarks that nobody has set yet should be looked for; those outside the picture are left out."""
    width, height = fit.image_size
    missing = [name for name in LANDMARKS if name not in places]
    drawn = fit.to_image([LANDMARKS[name] for name in missing]) if missing else np.empty((0, 2))
    return {
        name: [round(float(u), 1), round(float(v), 1)]
        for name, (u, v) in zip(missing, drawn, strict=True)
        if 0 <= u <= width and 0 <= v <= height
    }


def spots(fit: CourtFit, points: Sequence[Sequence[float]]) -> list[dict[str, Any]]:
    """Clicked pixels as places on the floor; what shows no floor has a sentence instead of numbers."""
    places, spreads = fit.to_court(points)
    return [_spot(point, place, spread) for point, place, spread in zip(points, places, spreads, strict=True)]


def _spot(point: Sequence[float], place: Any, spread: Any) -> dict[str, Any]:
    row: dict[str, Any] = {"u": float(point[0]), "v": float(point[1])}
    if not (np.isfinite(place).all() and np.isfinite(spread).all()):
        return row | {
            "x": None,
            "y": None,
            "covariance": None,
            "inside": False,
            "words": court_words.no_spot(),
        }
    x, y = float(place[0]), float(place[1])
    sd_x, sd_y = math.sqrt(spread[0, 0]), math.sqrt(spread[1, 1])
    slack = court_words.FOUR_IN_FIVE
    inside = abs(x) <= HALF_WIDTH + slack * sd_x and abs(y) <= HALF_LENGTH + slack * sd_y
    words = court_words.spot(x, y, sd_x, sd_y)
    return row | {
        "x": round(x, 3),
        "y": round(y, 3),
        "covariance": [[round(float(part), 6) for part in line] for line in spread],
        "inside": inside,
        "words": words if inside else f"{words}. {court_words.beside_court()}",
    }


def zone_sentence(fit: CourtFit) -> str:
    return court_words.zone_sentence({name: zone.along_m for name, zone in court_reach.zones(fit).items()})


def zone_rows(fit: CourtFit, marks: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Each zone with how far its landmarks are off, and a spot in it along the court, where a picture is coarsest."""
    return [_zone_row(name, zone.along_m, marks) for name, zone in court_reach.zones(fit).items()]


def _zone_row(name: str, spread: float, marks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    low, high = court_reach.ZONES[name]
    offs = [mark["off_px"] for mark in marks if low <= LANDMARKS[mark["name"]][1] <= high]
    px = math.sqrt(sum(off * off for off in offs) / len(offs)) if offs else None
    known = math.isfinite(spread)
    return {
        "zone": name,
        "label": court_words.zone(name),
        "px": None if px is None else round(px, 2),
        "cm": round(100 * spread, 1) if known else None,
        "px_words": "–" if px is None else court_words.pixels(px),
        "cm_words": court_words.centimetres(spread) if known else "–",
    }


def judged(fit: CourtFit, film: Film) -> list[str]:
    """What of the club's check list can be judged in the film, and what not."""
    lines = min(film.width, film.height) if film.width and film.height else None
    return judged_by(fit, check_list_of(film.club), lines)


def check_list_of(club: Club) -> Mapping[str, Any]:
    newest = CheckListVersion.objects.of(club).first()
    return newest.data if newest else {}


def judged_by(fit: CourtFit, check_list: Mapping[str, Any], lines: int | None) -> list[str]:
    """The same for a film with so many lines; nothing where the list asks nothing."""
    areas, checks = _asked(check_list)
    return court_words.judged(areas, checks, court_reach.reach(fit, checks.values(), lines=lines))


def _asked(data: Mapping[str, Any]) -> tuple[dict[str, str], dict[str, dict[str, Any]]]:
    """Names of the areas that are on, and the checks that their situations ask, by code, in the list's order."""
    on = [area for area in data.get("areas", ()) if area.get("on_by_default")]
    codes = {code for area in on for row in area.get("asked", {}).values() for code in row}
    names = {area["code"]: area["name"] for area in sorted(on, key=lambda area: area.get("order", 0))}
    optional = {"decides": "eye", "end": "both", "needs": "", "bounds": {}}
    checks = {row["code"]: {**optional, **row} for row in data.get("checks", ()) if row["code"] in codes}
    return names, checks
