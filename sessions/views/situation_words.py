"""What the page of one situation says: who was on court, what was marked, and how far its clip is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from clubcoach.access import Can, Refusal, Viewer
from players.models import CheckWording, Player, own_player_ids
from sessions import clips, stills
from sessions.models import Analysis, Clip, Film, Mark, Situation


@dataclass(frozen=True)
class Said:
    """One check of a situation: its name, what was marked, the sentence for it, and what to say to oneself."""

    mark: Mark
    name: str
    sentence: str
    cue: str


def marks_of(situation: Situation, viewer: Viewer) -> list[Said] | None:
    """In the words of the list that the analyst had; None while they are not for this reader's eyes.

    A child reads what was done first, and one cue at most: one thing to work on.
    """
    if not _told_to(situation.analysis, viewer):
        return None
    marks = situation.marks.select_related("check_identity").order_by(
        "check_identity__phase", "check_identity__code"
    )
    rows = CheckWording.objects.filter(version=situation.analysis.check_list_id)
    wordings = {row.check_identity_id: row for row in rows.filter(check_identity__marks__situation=situation)}
    said = [_said(mark, wordings.get(mark.check_identity_id)) for mark in marks]
    if viewer.can(Can.SEE_SCORES) or not any(player.is_minor() for player in players_of(situation)):
        return said
    said.sort(key=lambda row: row.mark.value != Mark.Value.MET)
    one = next((row for row in said if row.mark.value == Mark.Value.MISSED), None)
    return [row if row is one else Said(row.mark, row.name, row.sentence, "") for row in said]


def _told_to(analysis: Analysis, viewer: Viewer) -> bool:
    # An analyst who could read another's marks would not look at the film with her own eyes.
    published = analysis.state == Analysis.State.PUBLISHED
    return published or Analysis.objects.seen_by(viewer).filter(pk=analysis.pk).exists()


def _said(mark: Mark, wording: CheckWording | None) -> Said:
    if wording is None:
        return Said(mark, mark.check_identity.code, "", "")
    sentences = {Mark.Value.MET: wording.met, Mark.Value.MISSED: wording.missed}
    unseen = mark.value == Mark.Value.NOT_SEEN
    sentence = _("It could not be judged here.") if unseen else sentences[Mark.Value(mark.value)]
    return Said(mark, wording.name, sentence, "" if unseen else wording.cue)


def players_of(situation: Situation) -> list[Player]:
    unit = situation.unit
    return [unit.first, unit.second] if unit.second else [unit.first]


def whose_page(situation: Situation, viewer: Viewer) -> Player:
    """The player to whose page the reader goes back: one's own or a child's where it is about a pair."""
    own, players = own_player_ids(viewer), players_of(situation)
    return next((player for player in players if player.pk in own), players[0])


def on_court(situation: Situation) -> dict[str, str]:
    """Partner and opponents, children by their given name alone."""
    seats = list(situation.rally.match.seats.select_related("player__club"))
    ids = situation.unit.player_ids
    pair = next((seat.pair for seat in seats if seat.player_id in ids), "A")

    def named(rows: list[Any]) -> str:
        names = [seat.player.shown_name if seat.player else _("a visitor") for seat in rows]
        return (
            _("%(one)s and %(other)s") % {"one": names[0], "other": names[1]} if names[1:] else "".join(names)
        )

    partner = [seat for seat in seats if seat.pair == pair and seat.player_id not in ids]
    return {
        "unit": named_players(players_of(situation)),
        "partner": named(partner) if situation.unit.second is None else "",
        "opponents": named([seat for seat in seats if seat.pair != pair]),
    }


def named_players(players: list[Player]) -> str:
    names = [player.shown_name for player in players]
    return _("%(one)s and %(other)s") % {"one": names[0], "other": names[1]} if names[1:] else names[0]


def neighbours(situation: Situation, viewer: Viewer, check: str) -> dict[str, Any]:
    """The situations before and after it of the same check, else the same area, of the same player or pair."""
    rows = stills.told(stills.situations_seen_by(viewer).filter(unit=situation.unit))
    rows = rows.filter(marks__check_identity__code=check) if check else rows.filter(area=situation.area)
    in_order = rows.order_by("analysis__match__played_on", "analysis__match", "hit_s", "pk")
    ids = list(in_order.values_list("pk", flat=True))
    if situation.pk not in ids:
        return {}
    at = ids.index(situation.pk)
    return {
        "number": at + 1,
        "total": len(ids),
        "before": ids[at - 1] if at else None,
        "after": ids[at + 1] if at + 1 < len(ids) else None,
    }


def clip_part(situation: Situation, viewer: Viewer) -> dict[str, Any]:
    """The picture and the clip as far as they are there, or why they are not."""
    place = clips.place_of(situation)
    if place is None:
        return {"no_film": _why_no_film(situation)}
    answer = stills.may_be_shown(place.film)
    if isinstance(answer, Refusal):
        return {"refused": answer.reason}
    clip = clips.clip_of(situation=situation, by=viewer.user)
    picture = stills.path_of(situation)
    if picture is not None and not picture.exists():
        stills.ask_for(situation, picture)
        picture = None
    waiting = clip is not None and clip.state == Clip.State.WAITING
    return {"clip": clip, "job": clips.job_of(clip) if clip and waiting else None, "has_still": bool(picture)}


def _why_no_film(situation: Situation) -> str:
    if not situation.timed:
        return _(
            "This sheet was written without times, so no film can be found for it. The words are what there is."
        )
    states = {row.film.state for row in situation.rally.match.match_films.select_related("film")}
    if Film.State.READY in states:
        return _(
            "The film of this match does not show this moment. The time and the words are what there is."
        )
    if Film.State.ARRIVED in states:
        return _("The film of this match is still being read. Look again in a few minutes.")
    if states & {Film.State.MAKING, Film.State.PAUSED}:
        return _("The film of this match is still being made playable. Look again later.")
    if Film.State.AWAY in states:
        return _(
            "The film of this match lies on a coach's own disk: nothing can be cut out of it here. The time and the"
            " words are what there is."
        )
    if Film.State.GONE in states:
        return _("The film of this match has been deleted. The time and the words are what there is.")
    return _("This match was coded without a film here. The time and the words are what there is.")
