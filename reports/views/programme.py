from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from clubcoach import formatting
from clubcoach.access import Can, club_view
from reports.programme import Programme
from reports.roster import LATELY, Overview, listed_name

A_PAGE = 50


@require_GET
@club_view(Can.SEE_PROGRAMME)
def programme(request: Any) -> HttpResponse:
    """Where the roster stands, in sentences and small tables. No film and no single match is seen from here."""
    club = request.club
    home = Programme(club, now=timezone.now())
    context = home.context()
    context["sentences"] = sentences(club, context["overview"])
    context["page"] = Paginator(home.rows, A_PAGE).get_page(request.GET.get("page"))
    return render(request, "reports/programme.html", context)


def sentences(club: Any, found: Overview) -> list[str]:
    return [_seen(found), _weakest(found), _unseen(club, found)]


def _seen(found: Overview) -> str:
    if not found.players:
        return _("Nobody is in the programme yet.")
    return ngettext(
        "%(seen)d of %(n)d player was analysed in the last %(days)d days.",
        "%(seen)d of %(n)d players were analysed in the last %(days)d days.",
        found.players,
    ) % {"seen": found.seen_lately, "n": found.players, "days": LATELY.days}


def _weakest(found: Overview) -> str:
    if found.weakest is None:
        if found.weakest_known or not found.players:
            return _("Where enough was seen, everybody has reached what their level expects.")
        return _("Not enough was seen yet to say which area is furthest from what the levels expect.")
    return ngettext(
        "Furthest from what the levels expect is “%(area)s”: %(below)d of %(n)d player with enough seen is below.",
        "Furthest from what the levels expect is “%(area)s”: %(below)d of %(n)d players with enough seen are below.",
        found.weakest_known,
    ) % {"area": found.weakest.name, "below": found.weakest_below, "n": found.weakest_known}


def _unseen(club: Any, found: Overview) -> str:
    if found.longest_unseen:
        names = ", ".join(
            _("%(name)s (%(day)s)")
            % {"name": listed_name(row.player), "day": formatting.day(row.last_seen or club.today(), club)}
            for row in found.longest_unseen
        )
        return _("Seen last the longest ago: %(names)s.") % {"names": names}
    if found.never_seen:
        return ngettext(
            "%(n)d player was never analysed.", "%(n)d players were never analysed.", found.never_seen
        ) % {"n": found.never_seen}
    return _("Nobody has gone without being seen for long.")
