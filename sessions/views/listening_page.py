"""What the listening page shows: the film, what was heard, and the proposals of one match game by game."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.access import Can, Refusal, Viewer
from clubcoach.formatting import clock
from clubcoach.models import Job
from sessions import listening, listening_words, stills
from sessions.forms_films import offset_words
from sessions.models import Analysis, Film, Hearing, Match, MatchFilm, Rally, RallyProposal
from sessions.services import listening_rules

# A rally begins and ends with a hit; one that was set by hand may miss it by as much, seconds.
SLACK_S = 0.1
SHEETS = 5
State = RallyProposal.State


@dataclass(frozen=True)
class Row:
    """A proposal as it is listed; times are the picture's."""

    pk: int
    number: int
    start_s: float
    end_s: float
    # None where nobody has listened.
    hits: int | None
    confidence: float
    state: str
    state_words: str
    note: str
    # The number of a rally that the match has there already, 0 where it has none.
    there: int

    @property
    def begins(self) -> str:
        return clock(self.start_s)

    @property
    def length(self) -> str:
        return _("%(n)d s") % {"n": round(self.end_s - self.start_s)}

    @property
    def hit_words(self) -> str:
        if self.hits is None:
            return _("hits not heard")
        return ngettext("%(n)d hit", "%(n)d hits", self.hits) % {"n": self.hits}

    @property
    def sure(self) -> str:
        return listening_words.sure(self.confidence)

    @property
    def figure(self) -> str:
        return listening_words.figure(self.confidence)

    @property
    def fragment(self) -> str:
        """The end of an address that opens the film at this rally, without any script."""
        return f"#t={max(0.0, self.start_s - 1):.1f}"

    @property
    def start_exact(self) -> str:
        return f"{self.start_s:.3f}"

    @property
    def end_exact(self) -> str:
        return f"{self.end_s:.3f}"

    @property
    def start_field(self) -> str:
        return offset_words(self.start_s)

    @property
    def end_field(self) -> str:
        return offset_words(self.end_s)

    @property
    def said(self) -> str:
        """What somebody hears who does not see the row."""
        return _("Rally %(number)d, at %(begins)s, %(length)s, %(hits)s, %(sure)s, %(state)s.") % {
            "number": self.number,
            "begins": self.begins,
            "length": self.length,
            "hits": self.hit_words,
            "sure": self.sure,
            "state": self.state_words,
        }


@dataclass(frozen=True)
class Part:
    name: str
    rows: list[Row] = field(default_factory=list)


def state_words(row: RallyProposal, there: int = 0) -> str:
    if there:
        return _("is rally %(n)d of the match") % {"n": there}
    if row.state == State.ACCEPTED:
        if row.rally is None or row.rally.dropped:
            return _("accepted; its rally was taken out")
        return _("accepted as rally %(n)d") % {"n": row.rally.number}
    return _("dismissed") if row.state == State.DISMISSED else _("open")


def racket_times(hearing: Hearing) -> list[float]:
    return [float(at) for at, kind, *_rest in hearing.hits if kind == "racket"]


def has_sound(hearing: Hearing) -> bool:
    """Whether there is anything that could be late."""
    return hearing.way == Hearing.Way.SOUND and bool(hearing.hits or hearing.delay_s)


def picture(hearing: Hearing, heard_s: float) -> float:
    return max(0.0, listening.picture_s(hearing, heard_s))


def parts_of(film: Film, hearing: Hearing | None, link: MatchFilm | None) -> list[Part]:
    if hearing is None or link is None:
        return []
    times = racket_times(hearing)
    there = _there(hearing, link)
    parts: list[Part] = []
    number = 0
    for group in listening.by_game(film, link.match):
        part = Part(group.name)
        for row in group.proposals:
            number += 1
            part.rows.append(_row(hearing, row, number, times, there(row)))
        parts.append(part)
    return parts


def _there(hearing: Hearing, link: MatchFilm) -> Callable[[RallyProposal], int]:
    """Which rally of the match lies where an open proposal is, asked in the order of time."""
    rallies = list(link.match.rallies.filter(dropped=False, timed=True))
    # Before this place all are over.
    first = 0

    def number_of(row: RallyProposal) -> int:
        nonlocal first
        if row.state != State.OPEN:
            return 0
        start_s, end_s = listening_rules.times(row, hearing, link.offset_s)
        while first < len(rallies) and last_of(rallies[first]) < start_s:
            first += 1
        for rally in rallies[first:]:
            if rally.start_s >= end_s:
                break
            if last_of(rally) > start_s or rally.start_s == last_of(rally) == start_s:
                return rally.number
        return 0

    return number_of


def last_of(rally: Rally) -> float:
    return rally.start_s if rally.end_s is None else rally.end_s


def _row(hearing: Hearing, row: RallyProposal, number: int, times: list[float], there: int) -> Row:
    heard = bisect_right(times, row.end_s + SLACK_S) - bisect_left(times, row.start_s - SLACK_S)
    return Row(
        pk=row.pk,
        number=number,
        start_s=picture(hearing, row.start_s),
        end_s=picture(hearing, row.end_s),
        hits=heard if hearing.way == Hearing.Way.SOUND else None,
        confidence=row.confidence,
        state=row.state,
        state_words=state_words(row, there),
        note=listening_words.heard_as(row, hearing.delay_s),
        there=there,
    )


def sheets_of(viewer: Viewer, match: Match | None) -> list[Analysis]:
    """Analyses of the match that the person is at work on."""
    if match is None or not viewer.can(Can.CODE):
        return []
    mine = Analysis.objects.seen_by(viewer).filter(match=match, analyst__user=viewer.user)
    return list(mine.filter(state__in=[Analysis.State.ASSIGNED, Analysis.State.IN_PROGRESS])[:SHEETS])


def chosen_of(links: Sequence[MatchFilm], asked: str) -> MatchFilm | None:
    """The match whose part of the film is listed: the one that is asked for, else the first."""
    return next((link for link in links if str(link.match.uuid) == asked), links[0] if links else None)


def list_context(request: Any, film: Film, link: MatchFilm | None) -> dict[str, Any]:
    """For the part that is drawn anew after each decision."""
    hearing = listening.hearing_of(film)
    match = link.match if link else None
    parts = parts_of(film, hearing, link)
    rows = [row for part in parts for row in part.rows]
    accepted = sum(row.state == State.ACCEPTED for row in rows)
    sure_ones = sum(row.confidence >= listening_words.SURE for row in rows)
    waiting = sum(row.state == State.OPEN and not row.there for row in rows)
    may_edit = film.state == Film.State.READY and bool(request.viewer.can(Can.EDIT_MATCHES))
    allowed = stills.may_be_shown(film)
    return {
        "refused": str(allowed.reason) if isinstance(allowed, Refusal) else "",
        "plays": bool(allowed) and film.state == Film.State.READY,
        "film": film,
        "hearing": hearing,
        "match": match,
        "parts": parts,
        "rows": rows,
        "count": listening_words.count(len(rows), sure_ones, accepted),
        "there": listening_words.there(sum(row.there > 0 for row in rows)),
        "first_step": listening_words.first_step(len(rows), waiting, may_edit),
        "accepted": accepted,
        "delay_words": listening_words.delay(hearing.delay_s) if hearing and has_sound(hearing) else "",
        "delay": f"{hearing.delay_s if hearing else 0:.3f}",
        "delay_now": f"{hearing.delay_s if hearing else 0:.6f}",
        "levels": [(f"{level:.2f}", words) for level, words in listening_words.levels()],
        "may_edit": may_edit,
        "may_request": bool(request.viewer.can(Can.REQUEST_ANALYSIS)),
        "sheets": sheets_of(request.viewer, match) if accepted else [],
        "how_sure": listening_words.how_sure(),
    }


def work_context(request: Any, film: Film, hearing: Hearing | None) -> dict[str, Any]:
    """For the part that says how far the listening is, and what it gave."""
    job = listening.job_of(film) if film.state == Film.State.READY else None
    going = job is not None and not job.over
    return {
        "film": film,
        "hearing": hearing,
        "job": job,
        "going": going,
        "by_motion": job is not None and job.args.get("way") == Hearing.Way.MOTION,
        "failed": job is not None and job.state == Job.State.FAILED,
        "said": (job.note if job else "") or (_("Waiting for its turn") if going else ""),
        "why_nothing": listening_words.why_nothing_here(film),
        "told": listening_words.told(hearing) if hearing else [],
        "what_to_do": listening_words.what_to_do(hearing) if hearing else "",
        "may_listen": film.state == Film.State.READY and bool(request.viewer.can(Can.EDIT_MATCHES)),
    }


def page_context(
    request: Any, film: Film, links: Sequence[MatchFilm], asked: str, row: str
) -> dict[str, Any]:
    link = chosen_of(links, asked)
    context = list_context(request, film, link)
    hearing = context["hearing"]
    chosen = next((one for one in context["rows"] if str(one.pk) == row), None)
    return {
        **work_context(request, film, hearing),
        **context,
        "links": [(one.match, clock(max(0.0, -one.offset_s)), one is link) for one in links]
        if len(links) > 1
        else [],
        "chosen": chosen,
        "times": {"start": chosen.start_field, "end": chosen.end_field} if chosen else {},
        "added": {},
        "poster_ms": round(film.strip[0] * 1000) if film.strip else None,
        "config": script_config(film, hearing),
    }


def script_config(film: Film, hearing: Hearing | None) -> dict[str, Any]:
    hits = [[round(at, 3), kind] for at, kind, *_rest in hearing.hits] if hearing else []
    return {
        "act": reverse("listening_act", args=[film.club.slug, film.uuid]),
        "hits": hits,
        "duration_s": film.duration_s,
        "picture_s": 1 / film.frame_rate if film.frame_rate else 0.04,
    }


def script_words() -> dict[str, str]:
    """Every sentence of the page's script; values stand in braces."""
    return {
        "hit": _("Hit {n} of {all} of this rally, at {at}."),
        "hit_outside": _("A hit outside every rally that is listed, at {at}."),
        "no_row": _("Choose a rally of the list first."),
        "no_rows": _("No rally is listed."),
        "last_row": _("That is the last rally of the list."),
        "first_row": _("That is the first rally of the list."),
        "last_hit": _("No hit was heard after this."),
        "first_hit": _("No hit was heard before this."),
        "no_hit": _("Go to a hit first, then step the picture until the racket meets the ball."),
        "picture": _("Picture at {at}."),
        "new_start": _("A new rally begins at {at}. Say where it ends."),
        "no_start": _("Say first where the new rally begins."),
        "end_first": _("It would end before it begins."),
        "nothing_to_undo": _("Nothing was decided here since the page was opened."),
        "only_look": _("Only coaches decide; you can look."),
        "open_only": _("This rally is decided already: open it again first."),
        "not_open": _("This rally is open."),
        "there": _("The match has this rally already."),
        "undone": _("Taken back. {said}"),
        "slow": _("Half speed."),
        "full": _("Full speed."),
        "play": _("Play"),
        "hold": _("Hold"),
        "skips": _("Dead time is skipped."),
        "skips_not": _("Dead time is played too."),
        "all_done": _("No later rally is open."),
        "no_video": _("This browser cannot play the film."),
        "times_of": _("Rally {n}, {sure} ({figure})"),
        "from_hit": _("The hit was heard at {heard}; the picture shows it at {seen}."),
    }
