"""How a match, its pairs, and what an analysis is about are said in a line."""

from django import template
from django.utils.translation import gettext as _

from sessions.models import Analysis, Match, Seat

register = template.Library()


def seat_name(seat: Seat) -> str:
    return seat.player.name if seat.player else _("a visitor")


@register.filter
def pair_names(match: Match, letter: str) -> str:
    """'Ana Sol and a visitor'."""
    names = [seat_name(seat) for seat in match.seat_list if seat.pair == letter]
    if len(names) != 2:
        return ", ".join(names)
    return _("%(one)s and %(other)s") % {"one": names[0], "other": names[1]}


@register.filter
def against(match: Match) -> str:
    return _("%(one)s against %(other)s") % {"one": pair_names(match, "A"), "other": pair_names(match, "B")}


@register.filter
def unit_names(analysis: Analysis) -> str:
    """'Ana Sol, Ben Ruiz' for two players; 'Ana Sol and Ben Ruiz, each and as a pair' where all three are asked for."""
    units = [cover.unit for cover in analysis.covers.all()]
    alone = [unit.first_id for unit in units if unit.second is None]
    pairs = [unit for unit in units if unit.second is not None]
    whole = [pair for pair in pairs if pair.first_id in alone and pair.second_id in alone]
    in_whole = {player for pair in whole for player in (pair.first_id, pair.second_id)}
    said = [_("%(pair)s, each and as a pair") % {"pair": pair.name} for pair in whole]
    said += [unit.name for unit in units if unit.second is None and unit.first_id not in in_whole]
    said += [_("%(pair)s as a pair") % {"pair": pair.name} for pair in pairs if pair not in whole]
    return "; ".join(said) if pairs else ", ".join(said)


@register.filter
def area_names(analysis: Analysis) -> str:
    return ", ".join(row.area.name for row in analysis.lens.all())


@register.filter
def format_words(match: Match) -> str:
    """'2 sets of 6 games, golden point': what a match was played to."""
    form = match.match_format
    if form.kind == "free":
        return _("free play, winners of rallies only")
    if form.kind == "points":
        rule = _("to %(n)d points") if form.points_rule == "first_to" else _("%(n)d points in all")
        return rule % {"n": form.points_to}
    deuce = {
        "advantage": _("advantage"),
        "golden": _("one deciding point at 40-40"),
        "star": _("at most two advantages, then a deciding point"),
    }[form.deuce]
    parts = [
        _("first to %(sets)d sets of %(games)d games")
        % {"sets": form.sets_to_win, "games": form.games_per_set}
        if form.sets_to_win > 1
        else _("one set of %(games)d games") % {"games": form.games_per_set},
        deuce,
    ]
    if form.tiebreak == "none":
        parts.append(_("no tie-break"))
    if form.match_tiebreak:
        parts.append(_("match tie-break in place of the last set"))
    if form.time_limited:
        parts.append(_("until time is up"))
    return ", ".join(parts)
