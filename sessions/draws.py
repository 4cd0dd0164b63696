"""The draw of a match: which of the listed situations are judged, in an order that chance decides once."""

from __future__ import annotations

import secrets
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.compute.draw import DrawOrder, draw_order, margin
from clubcoach.compute.ledger_rules import pair_of
from clubcoach.models import User
from players.models import Area, Unit
from sessions.ledger import ledger_of
from sessions.models import Analysis, Draw, Match, Situation

MORE = 10
MOST_EVERY = 20


@transaction.atomic
def make_draw(
    *,
    by: User,
    analysis: Analysis,
    area: Area,
    planned: int | None = None,
    every: int | None = None,
    seed: int | None = None,
) -> Draw:
    """Put the situations listed so far into a random order and draw the first ``planned``.

    Where the area has a draw this is a further wave, of the units that no earlier frame has: what they were listed
    with later would never be drawn else. With ``every``, before any rally is listed, one rally in ``every`` is looked
    at from a random first one; a situation is then drawn when it is listed in such a rally.
    """
    match = _lock(analysis)
    _may_draw(analysis, area)
    waves = list(Draw.objects.filter(match=match, area=area))
    chosen = secrets.randbelow(2**53) if seed is None else seed
    if any(draw.every for draw in waves):
        raise ValidationError(
            {"area": _("Rallies were drawn for this area: every situation in them is drawn as it is listed.")}
        )
    made: dict[str, Any]
    if every is not None:
        made = _rule(match, waves, every, chosen)
    else:
        made = _wave(match, analysis, area, waves, planned, chosen)
    wave = waves[-1].wave + 1 if waves else 1
    draw = Draw.objects.create(match=match, area=area, wave=wave, seed=chosen, made_by=by, **made)
    _mark_drawn(draw)
    audit.record(by=by, club=match.club, action="draw.made", target=draw, fields=["planned"])
    return draw


def _rule(match: Match, waves: list[Draw], every: int, seed: int) -> dict[str, Any]:
    if not 2 <= every <= MOST_EVERY:
        raise ValidationError(
            {"every": _("Look at every 2nd to every %(most)dth rally.") % {"most": MOST_EVERY}}
        )
    if waves or match.rallies.filter(dropped=False).exists():
        raise ValidationError(
            {"every": _("Rallies are listed already: list all of them and draw from their situations.")}
        )
    first = int(np.random.default_rng(seed).integers(1, every + 1))
    return {"every": every, "first": first, "planned": 0}


def _wave(
    match: Match, analysis: Analysis, area: Area, waves: list[Draw], planned: int | None, seed: int
) -> dict[str, Any]:
    if planned is None or planned < 1:
        raise ValidationError({"planned": _("Draw at least one situation.")})
    before = {row["unit"] for draw in waves for row in draw.frame}
    frame = [row for row in _frame(match, analysis, area) if row["unit"] not in before]
    if not frame and waves:
        raise ValidationError(
            {"area": _("This match has its draw for this area: go on along its order instead.")}
        )
    if not frame:
        raise ValidationError({"area": _("No situation of this area is listed yet.")})
    order = _order(frame, seed)
    return {
        "frame": frame,
        "order": [frame[index]["situation"] for index in order.order],
        "weights": _weights(frame, order, planned),
        "planned": planned,
    }


@transaction.atomic
def draw_more(*, by: User, analysis: Analysis, area: Area, more: int = MORE) -> Draw:
    """Go on along the same order, in the last wave that has some left; refused once anybody can have seen the score."""
    match = _lock(analysis)
    _may_draw(analysis, area)
    if more < 1:
        raise ValidationError({"planned": _("Draw at least one situation more.")})
    waves = list(Draw.objects.select_for_update().filter(match=match, area=area))
    if not waves:
        raise ValidationError({"area": _("This match has no draw for this area yet.")})
    draw = last_open(waves)
    if draw is None:
        raise ValidationError({"planned": _("Every listed situation is drawn already.")})
    draw.planned += more
    draw.weights = _weights(draw.frame, _order(draw.frame, draw.seed), draw.planned)
    draw.save(update_fields=["planned", "weights"])
    _mark_drawn(draw)
    audit.record(by=by, club=match.club, action="draw.extended", target=draw, fields=["planned"])
    return draw


def last_open(waves: list[Draw]) -> Draw | None:
    """The last wave that has some left, of waves in their order."""
    return next((draw for draw in reversed(waves) if draw.planned < len(draw.order)), None)


def _lock(analysis: Analysis) -> Match:
    locked = (
        Analysis.objects.select_for_update(of=("self", "match")).select_related("match").get(pk=analysis.pk)
    )
    analysis.state = locked.state
    return locked.match


def _may_draw(analysis: Analysis, area: Area) -> None:
    if not analysis.writable:
        raise ValidationError(
            _("This analysis is %(state)s: nothing more can be drawn.")
            % {"state": analysis.get_state_display()}
        )
    if analysis.plan != Analysis.Plan.DRAWN:
        raise ValidationError({"area": _("This analysis does not count drawn situations.")})
    if not analysis.lens.filter(area=area).exists():
        raise ValidationError({"area": _("This area is outside the lens of this analysis.")})
    # Whoever has seen a score could stop drawing when they like it.
    told = Analysis.objects.filter(match=analysis.match_id, published_at__isnull=False, lens__area=area)
    if told.exists():
        raise ValidationError(
            {"area": _("A score of this match and area was published: the draw stays as it is.")}
        )


def _frame(match: Match, analysis: Analysis, area: Area) -> list[dict[str, Any]]:
    rallies = list(match.rallies.filter(dropped=False))
    servers = {
        rally.pk: row.server for rally, row in zip(rallies, ledger_of(match, rallies).rows, strict=True)
    }
    over = [Analysis.State.CANCELLED, Analysis.State.WITHDRAWN]
    counted = match.analyses.filter(purpose=Analysis.Purpose.COUNT, superseded_by__isnull=True).exclude(
        state__in=over
    )
    rows = (
        Situation.objects.filter(
            analysis__in={analysis.pk, *counted.values_list("pk", flat=True)},
            area=area,
            dropped=False,
            shown_only=False,
            not_codable="",
            rally__dropped=False,
        )
        .select_related("rally")
        .order_by("hit_s", "uuid")
    )
    frame: dict[str, dict[str, Any]] = {}
    for row in rows:
        server = servers[row.rally_id]
        frame.setdefault(
            str(row.uuid),
            {
                "situation": str(row.uuid),
                "rally": str(row.rally.uuid),
                "unit": row.unit_id,
                "hit_s": row.hit_s,
                "stratum": f"{row.end}-{pair_of(server) if server else '?'}",
            },
        )
    return list(frame.values())


def _order(frame: list[dict[str, Any]], seed: int) -> DrawOrder:
    names = sorted({row["stratum"] for row in frame})
    strata = [names.index(row["stratum"]) for row in frame]
    return draw_order(range(len(frame)), strata, rng=np.random.default_rng(seed))


def _weights(frame: list[dict[str, Any]], order: DrawOrder, planned: int) -> dict[str, Any]:
    """What undoes the rounding of the strata; those that the draw has not reached are named."""
    names = sorted({row["stratum"] for row in frame})
    taken = min(planned, order.n)
    by_stratum = {
        frame[index]["stratum"]: round(float(weight), 6)
        for index, weight in zip(order.order[:taken], order.weights(taken), strict=True)
    }
    unreached = [names[index] for index in order.unreached(taken)]
    return {"taken": taken, "by_stratum": by_stratum, "unreached": unreached}


def drawn_of(draw: Draw) -> list[str]:
    return list(draw.order[: draw.planned])


def _mark_drawn(draw: Draw) -> None:
    Situation.objects.filter(
        analysis__match=draw.match_id, area=draw.area_id, uuid__in=drawn_of(draw), shown_only=False
    ).update(drawn=True)


def shown_draw(draw: Draw, area: str, listed: list[tuple[str, str]] | None = None) -> dict[str, Any]:
    """As devices read it; ``listed`` are situation and rally of what a rule has drawn so far."""
    if draw.every and listed is None:
        listed = _listed_under(draw.match, [draw.area_id])[draw.area_id]
    rows = listed or []
    return {
        "area": area,
        "wave": draw.wave,
        "every": draw.every,
        "first": draw.first,
        "units": sorted({row["unit"] for row in draw.frame}),
        "planned": draw.planned,
        "listed": len(rows) if draw.every else len(draw.order),
        "drawn": [situation for situation, _rally in rows] if draw.every else drawn_of(draw),
        "words": rule_words(draw, rows) if draw.every else margin_words(draw),
    }


def shown_draws(match: Match, areas: list[Area]) -> list[dict[str, Any]]:
    """Every wave of these areas; two queries, however many situations."""
    codes = {area.pk: area.code for area in areas}
    draws = list(Draw.objects.filter(match=match, area__in=codes).order_by("area__position", "wave"))
    ruled = [draw.area_id for draw in draws if draw.every]
    listed = _listed_under(match, ruled) if ruled else {}
    return [shown_draw(draw, codes[draw.area_id], listed.get(draw.area_id)) for draw in draws]


def _listed_under(match: Match, areas: list[int]) -> dict[int, list[tuple[str, str]]]:
    rows = Situation.objects.filter(
        analysis__match=match, area__in=areas, drawn=True, dropped=False, rally__dropped=False
    ).order_by("hit_s", "uuid")
    # Each once, in the order of the film, whichever analyses of the match have it.
    found: dict[int, dict[tuple[str, str], None]] = {area: {} for area in areas}
    for area, situation, rally in rows.values_list("area", "uuid", "rally__uuid"):
        found[area][str(situation), str(rally)] = None
    return {area: list(pairs) for area, pairs in found.items()}


def rule_words(draw: Draw, listed: list[tuple[str, str]]) -> str:
    """'One rally in 5 is looked at, from a random start: numbers 3, 8, 13 and so on.'"""
    numbers = ", ".join(str(draw.first + step * draw.every) for step in range(3))
    said = _("One rally in %(every)d is looked at, from a random start: numbers %(numbers)s and so on.") % {
        "every": draw.every,
        "numbers": numbers,
    }
    if not listed:
        return said
    rallies = len({rally for _situation, rally in listed})
    half = margin(len(listed), None, clusters=rallies).half_width
    known = ngettext(
        "With the %(n)d situation there we know a share to within about %(now)s in 10.",
        "With the %(n)d situations there we know a share to within about %(now)s in 10.",
        len(listed),
    ) % {"n": len(listed), "now": _in_ten(half)}
    return f"{said} {known}"


def margin_words(draw: Draw, more: int = MORE) -> str:
    """'With these 24 we know a share to within about 2 in 10; with 16 more: 1.5 in 10.'"""
    taken, listed = min(draw.planned, len(draw.order)), len(draw.order)
    if taken >= listed:
        return ngettext(
            "The one situation that is listed is drawn.", "All %(n)d listed situations are drawn.", listed
        ) % {"n": listed}
    known = ngettext(
        "With this %(n)d situation we know a share to within about %(now)s in 10",
        "With these %(n)d we know a share to within about %(now)s in 10",
        taken,
    ) % {"n": taken, "now": _tenths(draw, taken)}
    if taken + more >= listed:
        rest = ngettext(
            "the other %(more)d would complete it", "the other %(more)d would complete it", listed - taken
        ) % {"more": listed - taken}
    else:
        rest = ngettext("with %(more)d more: %(then)s in 10", "with %(more)d more: %(then)s in 10", more) % {
            "more": more,
            "then": _tenths(draw, taken + more),
        }
    return _("%(known)s; %(rest)s.") % {"known": known, "rest": rest}


def _tenths(draw: Draw, taken: int) -> str:
    return _in_ten(half_width(draw.frame, draw.order, taken))


def half_width(frame: list[dict[str, Any]], order: list[str], taken: int) -> float:
    """How closely the first ``taken`` of the order tell a share: 80 %, each rally counting once."""
    rallies = {row["situation"]: row["rally"] for row in frame}
    clusters = len({rallies[uuid] for uuid in order[:taken]})
    return margin(taken, len(order), clusters=clusters).half_width


def _in_ten(half: float) -> str:
    halves = max(round(half * 20), 1)
    return number_format(halves / 2 if halves % 2 else halves // 2, use_l10n=True)


@dataclass(frozen=True)
class SetAside:
    """What of a unit's drawn situations nobody judged, and why."""

    unit: Unit
    drawn: int
    aside: int
    reasons: tuple[tuple[str, int], ...]

    @property
    def percent(self) -> int:
        return round(100 * self.aside / self.drawn)

    @property
    def many(self) -> bool:
        """More than one in ten: what is left may not stand for the match any more."""
        return self.aside * 10 > self.drawn

    @property
    def why(self) -> str:
        known = {
            "blocked_view": _("view blocked"),
            "off_picture": _("outside the picture"),
            "no_situation": _("not such a situation"),
        }
        return ", ".join(f"{known.get(code, code)} {count}" for code, count in self.reasons)


def set_aside(analysis: Analysis) -> list[SetAside]:
    """For each unit with drawn situations what was set aside, by name; two queries."""
    rows = (
        Situation.objects.kept_in(analysis)
        .filter(drawn=True, rally__dropped=False)
        .order_by()
        .values_list("unit", "not_codable")
        .annotate(n=Count("pk"))
    )
    counts: dict[int, dict[str, int]] = defaultdict(dict)
    for unit, reason, count in rows:
        counts[unit][reason] = count
    units = Unit.objects.filter(pk__in=counts).select_related("first", "second")
    found = []
    for unit in sorted(units, key=lambda unit: unit.name):
        why = counts[unit.pk]
        reasons = tuple(sorted((code, count) for code, count in why.items() if code))
        found.append(SetAside(unit, sum(why.values()), sum(count for _code, count in reasons), reasons))
    return found
