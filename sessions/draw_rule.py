"""Where no list of rallies was made beforehand every so many rallies is looked at: which situations that draws."""

from __future__ import annotations

from sessions.models import Draw, Situation


def has_rule(match_id: int, area_id: int) -> bool:
    """Whether rallies were drawn here instead of situations: then listing goes on after the draw."""
    return Draw.objects.filter(match=match_id, area=area_id, every__isnull=False).exists()


def under_rule(match_id: int, area_id: int, number: int) -> bool:
    """Whether the rally of this number is one that is looked at for the area."""
    rules = Draw.objects.filter(match=match_id, area=area_id, every__isnull=False)
    return any(hit(number, every, first) for every, first in rules.values_list("every", "first"))


def hit(number: int, every: int, first: int) -> bool:
    """first, first + every, first + 2 every, ..."""
    return number >= first and (number - first) % every == 0


def follow(situation: Situation) -> bool:
    """Set ``drawn`` of a situation that is being written where a rule was drawn; True when that changed it.

    It is settled when the situation is listed: a rally that is found later moves the numbers, and must not throw out
    what was looked at by the numbers of then.
    """
    match, area = situation.rally.match_id, situation.area_id
    if not has_rule(match, area):
        return False
    drawn = not situation.shown_only and under_rule(match, area, situation.rally.number)
    changed = drawn != situation.drawn
    situation.drawn = drawn
    return changed
