"""What pages and answers say about rallies found by ear: how well it was heard, why not, how sure, how many."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Count, Q
from django.urls import reverse
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _lazy
from django.utils.translation import ngettext

from clubcoach.formatting import clock
from sessions.models import Film, Hearing, RallyProposal

# Confidences from which on a proposal is called so.
SURE, FAIRLY_SURE = 0.8, 0.5
# A delay this small is not seen: less than half a picture of a usual film, seconds.
TOGETHER_S = 0.015
SAME_S = 0.002

Way, Verdict, State = Hearing.Way, Hearing.Verdict, RallyProposal.State

REASONS: dict[str, str | Promise] = {
    "no_sound": _lazy("There is no sound in this film."),
    "silent": _lazy(
        "The film has a sound track, but nothing is on it: the microphone was off, or covered all the time."
    ),
    "noise": _lazy("Something else is as loud as the rackets, or louder: wind, music, voices."),
    "too_short": _lazy("The film is too short to hear how this court sounds."),
    "clipped": _lazy(
        "It was recorded too loud: the loudest hits are cut off, and their kinds hard to tell apart."
    ),
    "dead_channel": _lazy("One of the two sound channels is empty. The other one was listened to."),
    "low_rate": _lazy(
        "The sound was stored as for a telephone call: rackets, glass and floor can hardly be told apart."
    ),
    "few_hits": _lazy("Only few hits stand out from the rest."),
    "begins_inside": _lazy(
        "The film begins in the middle of a rally: of the first one only the end is here, without its serve."
    ),
    "neighbour": _lazy("Another court is heard too. Hits that are as quiet as its own were left out."),
    "by_motion": _lazy(
        "What is proposed follows from the movement on the court, not from hits: look at both ends of each rally."
    ),
}


def reasons(codes: Iterable[str]) -> list[str]:
    """One sentence for each reason; a code of a later recipe says nothing here rather than its own name."""
    return [str(REASONS[code]) for code in codes if code in REASONS]


def verdict(hearing: Hearing) -> str:
    """How well it was heard, in one sentence."""
    if hearing.way == Way.HAND:
        return _("Entered by hand; nobody has listened to the film.")
    if hearing.way == Way.MOTION:
        if hearing.verdict == Verdict.USELESS:
            return _("The picture does not show when play goes on either.")
        return _("Found by what moves in the picture, which is rougher than by ear.")
    if hearing.verdict == Verdict.GOOD:
        return _("The sound is clear.")
    if hearing.verdict == Verdict.POOR:
        return _("The sound is hard to use. What is proposed below is a guess.")
    if "no_sound" in hearing.reasons:
        # The reason says it all.
        return ""
    return _("The sound is of no use for finding rallies.")


def told(hearing: Hearing) -> list[str]:
    first = verdict(hearing)
    return [*([first] if first else []), *reasons(hearing.reasons)]


def what_to_do(hearing: Hearing) -> str:
    """Where the sound does not help: what does. Nothing where it does."""
    if hearing.verdict == Verdict.GOOD:
        return ""
    if hearing.way == Way.SOUND:
        return _(
            "The rallies can also be found by what moves in the picture, which is rougher; or enter them by hand:"
            " play the film, and say where each begins and ends."
        )
    if hearing.way == Way.MOTION:
        return _("Correct both ends where they are wrong, or enter rallies by hand.")
    return ""


def sure(confidence: float) -> str:
    if confidence >= SURE:
        return _("sure")
    return _("fairly sure") if confidence >= FAIRLY_SURE else _("a guess")


def figure(confidence: float) -> str:
    """Behind the word, for who wants to know."""
    return _("%(share)d %%") % {"share": round(100 * confidence)}


def how_sure() -> str:
    facts = {"sure": figure(SURE), "fairly": figure(FAIRLY_SURE)}
    return (
        _(
            "How clear its hits are, and how well their rhythm is that of a rally, make one figure: from %(sure)s on"
            " it is called sure, from %(fairly)s on fairly sure, below that a guess. It says how likely both ends"
            " are right within a second, on courts like those the rules were tried on."
        )
        % facts
        + "\n\n"
        + _(
            "What is accepted, corrected and dismissed here teaches how this court sounds: the next film from the"
            " same camera place begins with that."
        )
    )


def levels() -> list[tuple[float, str]]:
    """From where on all are accepted at once."""
    return [(FAIRLY_SURE, _("fairly sure")), (SURE, _("sure"))]


def count(proposed: int, sure_ones: int, accepted: int) -> str:
    """'42 rallies proposed, 30 of them sure; 12 accepted so far.'"""
    if not proposed:
        return _("No rallies are proposed.")
    facts = {"n": proposed, "sure": sure_ones, "accepted": accepted}
    return (
        ngettext(
            "%(n)d rally proposed, %(sure)d of them sure; %(accepted)d accepted so far.",
            "%(n)d rallies proposed, %(sure)d of them sure; %(accepted)d accepted so far.",
            proposed,
        )
        % facts
    )


def count_of(proposals: Sequence[RallyProposal]) -> str:
    sure_ones = sum(row.confidence >= SURE for row in proposals)
    accepted = sum(row.state == State.ACCEPTED for row in proposals)
    return count(len(proposals), sure_ones, accepted)


def there(n: int) -> str:
    """How many of the open ones somebody has written down already; nothing where none is."""
    if not n:
        return ""
    return ngettext(
        "%(n)d of them is a rally of the match already: there is nothing to do about it.",
        "%(n)d of them are rallies of the match already: there is nothing to do about those.",
        n,
    ) % {"n": n}


def first_step(proposed: int, waiting: int, may_edit: bool) -> str:
    """What somebody does who has just come: beside the film, until they have done it."""
    if not may_edit:
        return _("Go to the next rally: the film runs up to where it begins and stops.") if proposed else ""
    if not proposed:
        return _("Play the film, and say where each rally begins and ends.")
    if not waiting:
        return _("Every rally that is listed is decided.")
    if waiting == proposed:
        return _(
            "Begin with the next rally: the film runs up to where it begins and stops. Accept or dismiss it, and the"
            " one after it comes."
        )
    return ngettext(
        "%(n)d rally is still to be decided: the next rally is that one.",
        "%(n)d rallies are still to be decided: the next rally is the first of them.",
        waiting,
    ) % {"n": waiting}


def seconds(value: float) -> str:
    """'0.25 s', without zeros at the end."""
    return _("%(n)s s") % {"n": f"{value:.3f}".rstrip("0").rstrip(".")}


def delay(delay_s: float) -> str:
    """How far sound and picture are apart."""
    if abs(delay_s) < TOGETHER_S:
        return _("Sound and picture are together.")
    facts = {"by": seconds(abs(delay_s))}
    if delay_s > 0:
        return (
            _("The sound is %(by)s later than the picture; all times here are those of the picture.") % facts
        )
    return _("The sound is %(by)s earlier than the picture; all times here are those of the picture.") % facts


def heard_as(proposal: RallyProposal, delay_s: float) -> str:
    """What the ear said before somebody corrected it; nothing where nobody did."""
    if proposal.by_hand:
        return _("by hand")
    if proposal.heard_start_s is None or proposal.heard_end_s is None:
        return ""
    moved = max(abs(proposal.start_s - proposal.heard_start_s), abs(proposal.end_s - proposal.heard_end_s))
    # Taken back: it is as it was heard, to the millisecond that fields of times keep.
    if moved < SAME_S:
        return ""
    return _("corrected; heard from %(start)s to %(end)s") % {
        "start": tenths(max(0.0, proposal.heard_start_s - delay_s)),
        "end": tenths(max(0.0, proposal.heard_end_s - delay_s)),
    }


def tenths(at_s: float) -> str:
    """'12:34.5'."""
    whole, rest = divmod(round(at_s * 10), 10)
    return f"{clock(whole)}.{rest}"


def why_nothing_here(film: Film) -> str:
    """Why this film cannot be listened to now; nothing where it can."""
    states = {
        Film.State.ARRIVED: _(
            "The film has come and is being read. It is listened to as soon as it can be played."
        ),
        Film.State.MAKING: _(
            "The film is being made playable for browsers. It is listened to as soon as that is done."
        ),
        Film.State.PAUSED: _(
            "The work on this film is paused. Let it go on, and it is listened to afterwards."
        ),
        Film.State.AWAY: _(
            "This film stays on a coach's own disk, so its sound is not here. Enter its rallies by hand on the sheet"
            " of an analysis, or upload the film to have it listened to."
        ),
        Film.State.REFUSED: _("This film was refused, so there is nothing to listen to."),
        Film.State.GONE: _(
            "This film is deleted: it cannot be listened to any more. What was decided stays."
        ),
    }
    return states.get(Film.State(film.state), "")


def not_yet() -> str:
    return _("Nobody has listened to this film yet.")


def summary(film: Film) -> dict[str, Any]:
    """For the link of a film's page: one sentence, in one query."""
    return {
        "url": reverse("listening", args=[film.club.slug, film.uuid]),
        "words": why_nothing_here(film) or _summary_of(film),
    }


def _summary_of(film: Film) -> str:
    counted = (
        Hearing.objects.filter(film=film)
        .annotate(
            proposed=Count("proposals"),
            sure_ones=Count("proposals", filter=Q(proposals__confidence__gte=SURE)),
            accepted=Count("proposals", filter=Q(proposals__state=State.ACCEPTED)),
        )
        .first()
    )
    if counted is None:
        return not_yet()
    if not counted.proposed:
        return " ".join([*told(counted), count(0, 0, 0)])
    return count(counted.proposed, counted.sure_ones, counted.accepted)
