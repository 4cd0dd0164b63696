"""The operation that sets a place on the floor for a check: found, written in metres, refused in words."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.compute.court_decide import Rule
from clubcoach.formatting import clock
from sessions import court_spots, court_words
from sessions.court_spots import Place
from sessions.models import CourtView, Film, Situation, Spot
from sessions.ops import reading
from sessions.ops.kinds import KINDS, PUT_BACK
from sessions.ops.reading import Body, Refused
from sessions.ops.rows import FINDERS, SHOWN, WRITERS, Batch, Change, Row, kept_situation
from sessions.ops.rules import RULES

FIELDS = ("film", "at_s", "u", "v")
EMPTY: dict[str, Any] = dict.fromkeys(FIELDS)
# A click is no finer than a hundredth of a pixel.
DIGITS = 6
# Players of films count a last moment that lies a little behind the end, seconds.
AFTER_END = 0.5


def spot_set(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, FIELDS)
    if "u" not in body:
        raise Refused("u", _("“%(field)s” is missing.") % {"field": "u"})
    if body["u"] is None:
        return _change(batch, target, EMPTY)
    reading.needed(body, FIELDS)
    values = {
        "film": reading.one_uuid("film", body["film"]),
        "at_s": reading.seconds("at_s", body["at_s"]),
        "u": _share("u", body["u"]),
        "v": _share("v", body["v"]),
    }
    return _change(batch, target, values)


def _share(field: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise Refused(field, _("This is a share of the picture, from 0 to 1."))
    return round(float(value), DIGITS)


def _change(batch: Batch, target: str, values: dict[str, Any]) -> Change:
    uuid, code, number = _named(target)
    situation = kept_situation(batch, uuid)
    if code not in batch.lens.wordings:
        raise Refused("target", _("This check is not in the list version of this analysis."))
    extra = {"situation": situation, "number": number, "code": code}
    return Change(find_spot(batch, f"{uuid}/{code}/{number}"), values, extra)


def _named(target: str) -> tuple[str, str, int]:
    uuid, rest = reading.uuid_and_code(target)
    code, _stroke, number = rest.partition("/")
    if number not in ("1", "2"):
        raise Refused(
            "target", _("The target is an identifier, a check and 1 or 2, with strokes between them.")
        )
    return uuid, code, int(number)


def _put_back(batch: Batch, id: str, back: dict[str, Any]) -> Change:
    there = find_spot(batch, id).values
    return _change(batch, id, {**{name: there[name] for name in FIELDS}, **back})


def find_spot(batch: Batch, id: str) -> Row:
    uuid, code, number = id.split("/")
    spot = (
        Spot.objects.filter(
            situation__analysis=batch.lens.analysis.pk,
            situation__uuid=uuid,
            check_identity__code=code,
            number=int(number),
        )
        .select_related("film")
        .first()
    )
    if spot is None:
        return Row("spot", id, None, batch.cleared.get(f"spot:{id}", 0), dict(EMPTY))
    return Row("spot", id, spot, spot.rev, _values(batch, spot))


def _values(batch: Batch, spot: Spot) -> dict[str, Any]:
    code = spot.check_identity.code
    rule = _rule(batch, code)
    return court_spots.shown_spot(spot, str(spot.film.uuid) if spot.film else None, rule)


def _rule(batch: Batch, code: str) -> Rule | None:
    return court_spots.rule_of_wording(batch.lens.wordings[code]) if code in batch.lens.wordings else None


def _rules(batch: Batch, change: Change) -> None:
    """A spot may always be cleared; one that is set must be a place on this court that decides something."""
    if change.fields["u"] is None:
        return
    situation, code, number = (change.extra[name] for name in ("situation", "code", "number"))
    batch.lens.check(code, situation.area, situation.end, situation.unit)
    rule = _rule(batch, code)
    if rule is None or rule.spots == 0:
        raise Refused("target", _("No place on the floor decides %(code)s: mark it by eye.") % {"code": code})
    if number > rule.spots:
        raise Refused(
            "target",
            ngettext("%(code)s takes %(n)d place.", "%(code)s takes %(n)d places.", rule.spots)
            % {"code": code, "n": rule.spots},
        )
    film = _film(batch, change.fields["film"])
    change.extra["film"] = film
    change.extra["place"] = _place(film, change.fields)


def _film(batch: Batch, uuid: str | None) -> Film:
    watched = [Film.State.READY, Film.State.AWAY]
    here = Film.objects.filter(match_films__match=batch.lens.analysis.match_id, state__in=watched)
    # What is put back may be of a film that is gone by now.
    film = here.filter(uuid=UUID(uuid)).first() if uuid else None
    if film is None:
        raise Refused("film", _("This is no film of this match that can be watched."))
    return film


def _place(film: Film, fields: dict[str, Any]) -> Place:
    at_s = fields["at_s"]
    if film.duration_s and at_s > film.duration_s + AFTER_END:
        raise Refused("at_s", _("The film ends at %(end)s.") % {"end": clock(film.duration_s)})
    view = court_spots.view_of(list(film.court_views.all()), at_s)
    fit = court_spots.fit_of(view) if view else None
    if fit is None:
        raise Refused(
            "film",
            _("No court is placed in this film at %(at)s: place it first, or mark by eye.")
            % {"at": clock(at_s)},
        )
    place = court_spots.place_at(fit, fields["u"], fields["v"])
    if place is None:
        raise Refused("v", court_words.no_spot())
    if not place.near_court:
        raise Refused("u", court_words.beside_court())
    return place


def _write(batch: Batch, change: Change) -> Row:
    row, rev, spot = change.row, change.row.rev + 1, change.row.found
    if change.fields["u"] is None:
        spot.delete()
        batch.cleared[f"spot:{row.id}"] = rev
        return Row("spot", row.id, None, rev, dict(EMPTY))
    situation, number, place = (change.extra[name] for name in ("situation", "number", "place"))
    check = batch.lens.wordings[change.extra["code"]].check_identity
    spot = spot or Spot(situation=situation, check_identity=check, number=number)
    spot.film = change.extra["film"]
    spot.at_s, spot.u, spot.v = (change.fields[name] for name in ("at_s", "u", "v"))
    spot.x_m, spot.y_m = place.x, place.y
    spot.var_x, spot.cov_xy, spot.var_y = place.var_x, place.cov_xy, place.var_y
    spot.rev = rev
    spot.save()
    values = {**_values(batch, spot), **_decided(batch, situation, spot)}
    return Row("spot", row.id, spot, rev, values)


def _decided(batch: Batch, situation: Situation, spot: Spot) -> dict[str, Any]:
    """What all spots of the check say together, once they are there."""
    there = {row.number: row for row in situation.spots.filter(check_identity=spot.check_identity_id)}
    films = {row.film_id for row in there.values() if row.film_id}
    views: dict[int, list[CourtView]] = {}
    for view in CourtView.objects.filter(film__in=films):
        views.setdefault(view.film_id, []).append(view)
    rule = _rule(batch, spot.check_identity.code)
    return court_spots.decided([court_spots.Asked(rule, situation.end, there)], views)[0]


def _shown(row: Row) -> dict[str, Any]:
    uuid, code, number = row.id.split("/")
    return {"situation": uuid, "check": code, "number": int(number), **row.values, "rev": row.rev}


KINDS["spot.set"] = spot_set
PUT_BACK["spot"] = _put_back
FINDERS["spot"] = find_spot
WRITERS["spot"] = _write
SHOWN["spot"] = _shown
RULES["spot"] = _rules
