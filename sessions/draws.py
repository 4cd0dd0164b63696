"""The draw of a match: which of the listed situations are judged, in an order that chance decides once."""

from __future__ import annotations

import secrets
from typing import Any

import numpy as np
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.compute.draw import DrawOrder, draw_order, margin
from clubcoach.compute.ledger_rules import pair_of
from clubcoach.models import User
from players.models import Area
from sessions.ledger import ledger_of
from sessions.models import Analysis, Draw, Match, Situation

MORE = 10


@transaction.atomic
def make_draw(*, by: User, analysis: Analysis, area: Area, planned: int, seed: int | None = None) -> Draw:
    """Put the situations listed so far into a random order and draw the first ``planned``."""
    match = _lock(analysis)
    _may_draw(analysis, area)
    if planned < 1:
        raise ValidationError({"planned": _("Draw at least one situation.")})
    if Draw.objects.filter(match=match, area=area).exists():
        raise ValidationError(
            {"area": _("This match has its draw for this area: go on along its order instead.")}
        )
    frame = _frame(match, analysis, area)
    if not frame:
        raise ValidationError({"area": _("No situation of this area is listed yet.")})
    chosen = secrets.randbelow(2**53) if seed is None else seed
    order = _order(frame, chosen)
    draw = Draw.objects.create(
        match=match,
        area=area,
        seed=chosen,
        frame=frame,
        order=[frame[index]["situation"] for index in order.order],
        weights=_weights(frame, order, planned),
        planned=planned,
        made_by=by,
    )
    _mark_drawn(draw)
    audit.record(by=by, club=match.club, action="draw.made", target=draw, fields=["planned"])
    return draw


@transaction.atomic
def draw_more(*, by: User, analysis: Analysis, area: Area, more: int = MORE) -> Draw:
    """Go on along the same order; refused once anybody can have seen the score."""
    match = _lock(analysis)
    _may_draw(analysis, area)
    draw = Draw.objects.select_for_update().filter(match=match, area=area).first()
    if draw is None:
        raise ValidationError({"area": _("This match has no draw for this area yet.")})
    if more < 1:
        raise ValidationError({"planned": _("Draw at least one situation more.")})
    if draw.planned >= len(draw.order):
        raise ValidationError({"planned": _("Every listed situation is drawn already.")})
    draw.planned += more
    draw.weights = _weights(draw.frame, _order(draw.frame, draw.seed), draw.planned)
    draw.save(update_fields=["planned", "weights"])
    _mark_drawn(draw)
    audit.record(by=by, club=match.club, action="draw.extended", target=draw, fields=["planned"])
    return draw


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
    taken = min(planned, order.n)
    by_stratum = {
        frame[index]["stratum"]: round(float(weight), 6)
        for index, weight in zip(order.order[:taken], order.weights(taken), strict=True)
    }
    return {"taken": taken, "by_stratum": by_stratum}


def drawn_of(draw: Draw) -> list[str]:
    return list(draw.order[: draw.planned])


def _mark_drawn(draw: Draw) -> None:
    Situation.objects.filter(
        analysis__match=draw.match_id, area=draw.area_id, uuid__in=drawn_of(draw), shown_only=False
    ).update(drawn=True)


def shown_draw(draw: Draw, area: str) -> dict[str, Any]:
    return {
        "area": area,
        "planned": draw.planned,
        "listed": len(draw.order),
        "drawn": drawn_of(draw),
        "words": margin_words(draw),
    }


def shown_draws(match: Match, areas: list[Area]) -> list[dict[str, Any]]:
    codes = {area.pk: area.code for area in areas}
    rows = Draw.objects.filter(match=match, area__in=codes)
    return [shown_draw(draw, codes[draw.area_id]) for draw in rows]


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
    rallies = {row["situation"]: row["rally"] for row in draw.frame}
    clusters = len({rallies[uuid] for uuid in draw.order[:taken]})
    half = margin(taken, len(draw.order), clusters=clusters).half_width
    halves = max(round(half * 20), 1)
    return number_format(halves / 2 if halves % 2 else halves // 2, use_l10n=True)
