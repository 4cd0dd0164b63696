"""What the scripts of the court view are given: addresses, numbers, and every sentence in the reader's language."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from clubcoach.compute.court import LANDMARKS
from clubcoach.formatting import clock
from sessions import court_words
from sessions.models import Film
from sessions.views.court_draft import Draft


def strip_address(film: Film, at_s: float, *, large: bool = False) -> str:
    path = reverse("film_strip", args=[film.club.slug, film.uuid, round(at_s * 1000)])
    return f"{path}?large=1" if large else path


def page_config(
    film: Film, draft: Draft, result: dict[str, Any] | None, *, shown: bool, may_edit: bool
) -> dict[str, Any]:
    """Nothing that shows the people in the film while somebody of them does not agree."""
    here = (film.club.slug, film.uuid)
    ready = shown and film.state == Film.State.READY
    strip = [float(at_s) for at_s in film.strip] if ready else []
    still = draft.at_s if draft.at_s in strip else next(iter(strip), None)
    return {
        "video": reverse("film_bytes", args=here) if ready else None,
        "poster": strip_address(film, still, large=True) if still is not None else None,
        "poster_at": still,
        "strip": [{"at": at_s, "url": strip_address(film, at_s), "words": clock(at_s)} for at_s in strip],
        "own": shown and film.state == Film.State.AWAY,
        "film": {
            "size": film.size,
            "slices": film.slices,
            "duration_s": film.duration_s,
            "width": film.width,
            "height": film.height,
        },
        "court": reverse("api:court", args=here),
        "spots": reverse("api:court_spots", args=here),
        "page": reverse("court_view", args=here),
        "landmarks": [
            {
                "name": name,
                "number": number,
                "label": court_words.landmark(name),
                "where": court_words.where(name),
            }
            for number, name in enumerate(LANDMARKS, 1)
        ],
        "chosen": draft.chosen,
        "saved": draft.kept,
        "fit": result,
        "may_edit": may_edit,
    }


def page_words() -> dict[str, str]:
    return {
        "picture": _(
            "Picture of the film. Arrow keys move the cross, with Shift by ten pixels; Enter sets the landmark."
        ),
        "loupe": _("Round the cross, enlarged"),
        "chosen": _("Now: {number}, {label}: {where}."),
        "set": _("{number}, {label}: set at {u}, {v}."),
        "out": _("{number}, {label}: not in the picture."),
        "all_set": _("Every landmark has been gone through."),
        "move_first": _(
            "The cross stands where this landmark is expected. Move it onto what you see, then set it."
        ),
        "cross": _("Cross at {u}, {v}."),
        "too_few": _("{n} landmarks are set. Four draw the court, six or more tell how good it is."),
        "not_reached": _("The server cannot be reached. What is set here stays; try again."),
        "saved": _("The court view is saved."),
        "changed": _("Not saved yet."),
        "measure_first": _("Save the court view first: feet are measured with what is saved."),
        "finger": _(
            "The cross stands where your finger was. Push it on with the arrows, then press “Set here”."
        ),
        "measure": _("Click a foot where it touches the floor, or move the cross there and press Enter."),
        "no_video": _("This browser cannot play the film. The first picture of it is shown instead."),
        "no_picture": _("There is no picture of this film here yet."),
        "open_own": _("Open the film from your disk. It stays on this device: only the landmarks travel."),
        "checking": _("Comparing the file with the film …"),
        "wrong_size": _("This is another file: its size is not that of the film."),
        "wrong_slices": _("This is another file: its size is that of the film, its content is not."),
        "wrong_duration": _("This is another file: it lasts {here}, the film lasts {there}."),
        "no_check": _("This page cannot compare files: it needs a secure address (https) for that."),
        "bad_time": _("Write a time of the film, for example 12:34.5."),
        "at": _("picture at {at}"),
        "modes": _("What a click does"),
        "mode_set": _("Set landmarks"),
        "mode_measure": _("Measure a foot"),
        "hand": _("Cross and landmark"),
        "left": _("Cross one pixel to the left"),
        "right": _("Cross one pixel to the right"),
        "up": _("Cross one pixel up"),
        "down": _("Cross one pixel down"),
        "set_here": _("Set here"),
        "not_in": _("Not in the picture"),
        "time": _("Moment of the film"),
        "hold_from": _("The view holds from here on"),
        "strip": _("Another moment, by its picture"),
        "part": _("Part of the court"),
        "off_by": _("Landmarks off by"),
        "spot_off": _("A spot is off by"),
        "from_here": _("Holds from {at} on."),
    }
