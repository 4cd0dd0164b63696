"""What the state document says of places on the floor: lines in the picture, spots of situations, their chances."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.court import CourtFit
from clubcoach.compute.court_decide import Rule, lines
from clubcoach.compute.court_reach import End
from players.models import CheckWording
from sessions import court_spots
from sessions.models import Analysis, CourtView, Spot
from sessions.ops.lens import Lens

Document = dict[str, Any]
Floats = NDArray[np.float64]

# Places along a line that are projected; of these only what bends is kept.
POINTS = 121
# A place nearer than this to the straight between its neighbours shows no bend: half a pixel of 1280.
STRAIGHT = 0.0004
DIGITS = 4


def check_part(wording: CheckWording) -> Document:
    """How many places decide a check, and what they measure; nothing where no place does."""
    rule = court_spots.rule_of_wording(wording)
    if rule is None or not rule.spots:
        return {}
    return {"spots": rule.spots, "measure": rule.measure, "theirs": rule.theirs}


def court_part(films: Iterable[int], lens: Lens) -> dict[int, list[Document]]:
    """By film: for each court view the lines of the lens' checks, by check and by the end at which the unit plays."""
    asked = [row for code in lens.areas for row in lens.of_area(code)]
    rules = court_spots.rules_of(asked)
    ends = {row.check_identity.code: row.end for row in asked}
    found: dict[int, list[Document]] = defaultdict(list)
    for view in CourtView.objects.filter(film__in=list(films)).order_by("film", "from_s"):
        fit = court_spots.fit_of(view)
        if fit is None:
            continue
        row: Document = {"from_s": view.from_s, "lines": _lines(fit, rules, ends)}
        # A view that was copied from another film and that nobody has looked at yet.
        if view.looked_at is None:
            row["looked"] = False
        found[view.film_id].append(row)
    return found


def _lines(fit: CourtFit, rules: Mapping[str, Rule], ends: Mapping[str, str]) -> Document:
    told: Document = {}
    for code, rule in rules.items():
        for end in ("near", "far") if ends[code] == "both" else (ends[code],):
            pieces = [piece for line in lines(rule, cast(End, end)) for piece in pieces_in_picture(fit, line)]
            if pieces:
                told.setdefault(code, {})[end] = pieces
    return told


def pieces_in_picture(fit: CourtFit, line: Floats) -> list[list[list[float]]]:
    """A straight line on the floor as the picture shows it, in shares of the picture, cut off at its edges."""
    along = np.linspace(0.0, 1.0, POINTS)[:, None]
    shares = fit.to_image(line[0] + (line[1] - line[0]) * along) / np.array(fit.image_size)
    with np.errstate(invalid="ignore"):
        inside = ((shares >= 0) & (shares <= 1)).all(axis=1)
    cuts = np.flatnonzero(np.diff(inside.astype(np.int8))) + 1
    runs = [run for run in np.split(np.arange(len(shares)), cuts) if inside[run[0]]]
    return [_rounded(_bends(_to_the_edges(shares, run))) for run in runs]


def _to_the_edges(shares: Floats, run: NDArray[np.intp]) -> Floats:
    """A run of places in the picture, with the two where the line leaves it."""
    piece = [shares[run]]
    if run[0] > 0 and np.isfinite(shares[run[0] - 1]).all():
        piece.insert(0, _edge(shares[run[0]], shares[run[0] - 1]))
    if run[-1] + 1 < len(shares) and np.isfinite(shares[run[-1] + 1]).all():
        piece.append(_edge(shares[run[-1]], shares[run[-1] + 1]))
    return np.concatenate(piece)


def _edge(inner: Floats, outer: Floats) -> Floats:
    step = outer - inner
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(step > 0, (1 - inner) / step, np.where(step < 0, -inner / step, np.inf))
    return np.clip(inner + room.min() * step, 0, 1)[None]


def _bends(piece: Floats) -> Floats:
    """Its ends, and of the places between them those that are needed to follow it (Ramer, Douglas and Peucker)."""
    if len(piece) < 3:
        return piece
    straight = piece[-1] - piece[0]
    length = float(np.hypot(*straight)) or 1.0
    off = (
        np.abs(straight[0] * (piece[:, 1] - piece[0, 1]) - straight[1] * (piece[:, 0] - piece[0, 0])) / length
    )
    far = int(off.argmax())
    if off[far] <= STRAIGHT:
        return piece[[0, -1]]
    return np.concatenate([_bends(piece[: far + 1])[:-1], _bends(piece[far:])])


def _rounded(piece: Floats) -> list[list[float]]:
    return [[round(float(u), DIGITS), round(float(v), DIGITS)] for u, v in piece]


def spot_part(
    analysis: Analysis, lens: Lens, cleared: Mapping[str, int], *, only: Collection[str] | None = None
) -> dict[str, Document]:
    """By situation: ``spots``, ``chances`` and ``measures`` of its checks; with ``only`` of these situations."""
    rows = Spot.objects.filter(situation__analysis=analysis).select_related("situation", "film")
    rows = rows.select_related("check_identity").order_by("pk")
    if only is not None:
        rows = rows.filter(situation__uuid__in=only)
    grouped: dict[str, dict[str, dict[int, Spot]]] = defaultdict(lambda: defaultdict(dict))
    for spot in rows:
        grouped[str(spot.situation.uuid)][spot.check_identity.code][spot.number] = spot
    found: dict[str, Document] = _cleared(cleared, only)
    rules = court_spots.rules_of(lens.wordings.values())
    views = _views({spot.film_id for spot in rows if spot.film_id})
    asked: dict[tuple[str, str], court_spots.Asked] = {}
    for uuid, checks in grouped.items():
        document = found.setdefault(uuid, {"spots": {}})
        for code, spots in checks.items():
            told = document["spots"].setdefault(code, {})
            for number, spot in spots.items():
                film = str(spot.film.uuid) if spot.film else None
                told[str(number)] = {**court_spots.shown_spot(spot, film, rules.get(code)), "rev": spot.rev}
            end = next(iter(spots.values())).situation.end
            asked[uuid, code] = court_spots.Asked(rules.get(code), end, spots)
    for (uuid, code), says in zip(asked, court_spots.decided(list(asked.values()), views), strict=True):
        if says:
            found[uuid].setdefault("chances", {})[code] = says["chance"]
            found[uuid].setdefault("measures", {})[code] = says["measure"]
    return found


def _cleared(cleared: Mapping[str, int], only: Collection[str] | None) -> dict[str, Document]:
    """Spots that were cleared: their revisions go on."""
    found: dict[str, Document] = {}
    for name, rev in cleared.items():
        uuid, _stroke, rest = name.removeprefix("spot:").partition("/")
        if not name.startswith("spot:") or (only is not None and uuid not in only):
            continue
        code, _stroke, number = rest.partition("/")
        spots = found.setdefault(uuid, {"spots": {}})["spots"]
        spots.setdefault(code, {})[number] = {"u": None, "rev": rev}
    return found


def _views(films: set[int]) -> dict[int, list[CourtView]]:
    views: dict[int, list[CourtView]] = defaultdict(list)
    for view in CourtView.objects.filter(film__in=films):
        views[view.film_id].append(view)
    return views
