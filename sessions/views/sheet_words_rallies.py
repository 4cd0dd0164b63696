"""What the sheet says in its first pass: about rallies that were heard, facts that are asked of one, and the film."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from sessions.models.matches import EndedHow
from sessions.views.sheet_words_store import in_forms


def rally_words() -> dict[str, Any]:
    return {**_heard(), **_facts(), **_film()}


def _heard() -> dict[str, Any]:
    return {
        "sure_sure": _("sure"),
        "sure_likely": _("fairly sure"),
        "sure_guess": _("a guess"),
        "heard_rally": _("A rally that was heard"),
        "heard_line": _("heard, {n} s, {sure}"),
        "heard_from_to": _(
            "Heard from {from} to {to}: {sure}. It is a rally as soon as somebody says who won it."
        ),
        "heard_at": _("What was heard at {time}"),
        "heard_open": _("not decided"),
        "heard_who_won": _("Won by"),
        "heard_again": _("Show it again"),
        "heard_left": in_forms("{n} heard, not decided", "{n} heard, not decided"),
        "no_rally_here": _("No rally"),
        "said_heard": _("Heard at {time}, {sure}. Who won? {key_clear}: no rally."),
        "said_no_rally": _("{time}: no rally."),
        "said_heard_before": _(
            "Nothing more was heard after this. Before it {n} are not decided: {key_before}."
        ),
        "said_all_heard": _(
            "Everything that was heard is decided. What was missed: {key_start} where it starts."
        ),
    }


def _facts() -> dict[str, str]:
    return {
        "fact_net_pair": _("At the net at its end"),
        "fact_ended_by": _("Last hit"),
        "fact_ended_how": _("How it ended"),
        "ask_net_pair": _("Which pair was at the net when it ended?"),
        "ask_ended_by": _("Whose hit ended it?"),
        "ask_ended_how": _("How did that hit end it?"),
        "skip_fact": _("Cannot be said"),
        **{f"ended_{code}": str(words) for code, words in EndedHow.choices},
    }


def _film() -> dict[str, str]:
    return {
        "speed_is": _("Speed {n}"),
        "film_ends_before": _("The film ends at {time}; this rally lies behind it."),
    }
