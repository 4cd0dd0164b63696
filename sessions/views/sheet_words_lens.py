"""What the sheet says in its second pass, about areas that are done, the draw and the keys."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from sessions.views.sheet_words_store import in_forms


def lens_words() -> dict[str, Any]:
    return {**_asked(), **_closing(), **_keys(), **_drawing()}


def _asked() -> dict[str, str]:
    return {
        "film_leads": _(
            "The film is on its way to what is asked. It is asked when the film holds: {key_run} holds it now."
        ),
        "film_runs_first": _("The film runs on; then it is asked."),
        "said_asked": _("{code} {name}"),
        "said_uncovered": _("Rally {n} is uncovered."),
        "too_quick": _("Pressed twice at once: taken once."),
        "said_last": _("This is the last one. Open before it: {n}."),
        "all_done_close": _("{key_done}: every area is done in every rally."),
        "only_shown_mark": _("only shown, does not count"),
        "redo_short": _("again"),
    }


def _closing() -> dict[str, Any]:
    return {
        "situations_n": in_forms("{n} situation", "{n} situations"),
        "checks_n": in_forms("{n} check", "{n} checks"),
        "said_closed": _("{area}: done, {situations}."),
        "sure_checks": _("Not marked yet: {checks} in {situations}."),
        "sure_everywhere": _("Rallies in which an area is not done yet: {n}."),
        "sure_again": _("The same once more: it is done all the same."),
        "said_everything_closed": _("Every area is done in every rally."),
        "said_was_closed": _("Every area was done in every rally already."),
    }


def _keys() -> dict[str, str]:
    return {
        "key_help": _("this list"),
        "change_key": _("Change"),
        "change_key_of": _("Change the key: {act}"),
        "press_new_key": _("Press the new key"),
        "press_key_for": _("{act}: press the new key. Escape leaves it as it is."),
        "key_alone": _("One key alone, without Ctrl, Alt or the system's key."),
        "key_is_now": _("{act}: the key is {key} now."),
        "keys_are_usual": _("Every act is on its usual key."),
    }


def _drawing() -> dict[str, str]:
    return {
        "draw_wave": _("{area}, for those who were listed later: {planned} of {n} listed are drawn."),
        "draw_new_wave": _("{area}: draw for those who were listed later"),
        "draw_ten_more": _("Ten more"),
        "draw_every": _("{area}: every how many rallies is one looked at"),
        "draw_every_now": _("Begin at random"),
        "draw_every_why": _(
            "No rally is listed yet. List them first and draw from all situations; or look at every so many rallies"
            " from a random start. Then the number stands for rallies, and it is said so with the result."
        ),
    }
