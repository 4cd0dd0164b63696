from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer

# (right that shows it, name of the address, label)
NAV: list[tuple[Can, str, Any]] = [
    (Can.SEE_SCORES, "today", _("Today")),
    (Can.REVIEW, "desk", _("Desk")),
    (Can.CODE, "queue", _("To analyse")),
    (Can.SEE_MATCHES, "match_list", _("Matches")),
    (Can.SEE_LESSONS, "lessons", _("Lessons")),
    (Can.SEE_ROSTER, "roster", _("People")),
    (Can.SEE_PROGRAMME, "programme", _("Programme")),
    (Can.OWN_PADEL, "my_padel", _("My padel")),
    (Can.BE_HERE, "drills", _("Drills")),
    (Can.EDIT_CLUB, "club_settings", _("Club")),
    (Can.MOVE_DATA, "data", _("Data")),
]


def club_context(request: HttpRequest) -> dict[str, Any]:
    viewer: Viewer | None = getattr(request, "viewer", None)
    if viewer is None:
        return {"club": None, "nav": [], "who": getattr(request, "user", None)}
    nav = []
    for right, name, label in NAV:
        if viewer.can(right):
            url = reverse(name, args=[viewer.club.slug])
            nav.append({"url": url, "label": label, "current": request.path.startswith(url)})
    return {"club": viewer.club, "viewer": viewer, "nav": nav, "who": viewer.user}
