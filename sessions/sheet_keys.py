"""The keys of the sheet: every act with its usual key, what a person changed, and what no act may lie on.

A key is a place on the keyboard (``KeyboardEvent.code``), so that the acts lie alike on every European keyboard;
letters that stand for areas are the printed ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext

from clubcoach.models import Club, User
from players.models import Area
from sessions.models import SheetKeys


@dataclass(frozen=True)
class Act:
    """``holds``: the key may be held down and then acts again and again; nothing that is written may."""

    name: str
    usual: str
    words: str | Promise
    short: str | Promise
    holds: bool = False


ACTS = (
    Act("met", "Digit1", gettext_lazy("met"), gettext_lazy("met")),
    Act("missed", "Digit2", gettext_lazy("missed"), gettext_lazy("missed")),
    Act("not_seen", "Digit3", gettext_lazy("not seen"), gettext_lazy("not seen")),
    Act("easy", "Digit4", gettext_lazy("easy ball; normal needs no key"), gettext_lazy("easy")),
    Act("hard", "Digit5", gettext_lazy("hard ball"), gettext_lazy("hard")),
    Act("start", "Digit6", gettext_lazy("rally starts here"), gettext_lazy("starts")),
    Act("won_a", "Digit7", gettext_lazy("rally ends here, won by pair A"), gettext_lazy("A won")),
    Act("won_b", "Digit8", gettext_lazy("rally ends here, won by pair B"), gettext_lazy("B won")),
    Act("won_none", "Digit9", gettext_lazy("rally ends here, won by nobody"), gettext_lazy("nobody")),
    Act("slow", "Digit0", gettext_lazy("half speed"), gettext_lazy("half")),
    Act(
        "faster",
        "Backslash",
        gettext_lazy("in the first pass the film runs at 1, 1.5 or 2 times its speed"),
        gettext_lazy("faster"),
    ),
    Act("back", "Minus", gettext_lazy("film 2 seconds back"), gettext_lazy("−2 s"), holds=True),
    Act("on", "Equal", gettext_lazy("film 2 seconds on"), gettext_lazy("+2 s"), holds=True),
    Act("run", "Space", gettext_lazy("film runs or holds"), gettext_lazy("run")),
    Act(
        "before",
        "ArrowUp",
        gettext_lazy("row before; in the second pass the situation before"),
        gettext_lazy("before"),
        holds=True,
    ),
    Act(
        "after",
        "ArrowDown",
        gettext_lazy("row after; in the second pass the situation after"),
        gettext_lazy("after"),
        holds=True,
    ),
    Act("cell_before", "ArrowLeft", gettext_lazy("cell before"), gettext_lazy("cell ←"), holds=True),
    Act("cell_after", "ArrowRight", gettext_lazy("cell after"), gettext_lazy("cell →"), holds=True),
    Act(
        "clear", "Delete", gettext_lazy("clear the mark; on what was heard: no rally"), gettext_lazy("clear")
    ),
    Act("uncover", "Backquote", gettext_lazy("uncover who won the rally"), gettext_lazy("uncover")),
    Act("done", "Enter", gettext_lazy("every area is done in this rally"), gettext_lazy("done")),
    Act("undo", "Backspace", gettext_lazy("take back; with Shift: do again"), gettext_lazy("take back")),
)
BY_NAME = {act.name: act for act in ACTS}
USUAL = {act.name: act.usual for act in ACTS}

_PRINTED = {
    **{f"Digit{n}": str(n) for n in range(10)},
    **{f"Key{letter}": letter for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"},
}
_RESERVED = {
    "Tab": gettext_lazy("Tab leads from one part of the page to the next."),
    "Escape": gettext_lazy("Escape closes what is open."),
    "Insert": gettext_lazy("Screen readers need Insert."),
    "Numpad0": gettext_lazy("Screen readers need Insert, which is on this key too."),
    "CapsLock": gettext_lazy("Screen readers need Caps Lock."),
}
_MODIFIERS = ("Shift", "Control", "Alt", "Meta", "OS", "Fn")


def places() -> dict[str, dict[str, Any]]:
    """Every key that an act may lie on: a short name, its place in words, and whether a sign is printed on it.

    The browser is asked what is printed there; where it does not say, the digits are on every keyboard, and the others
    are told by their place.
    """
    rows = {
        "upper": ("QWERTYUIOP", _("letter row under the digits, key %(n)d")),
        "middle": ("ASDFGHJKL", _("middle letter row, key %(n)d")),
        "lower": ("ZXCVBNM", _("lowest letter row, key %(n)d")),
    }
    found = {
        f"Digit{n}": _place(str(n), _("the digit %(n)d") % {"n": n}, sign=True) for n in (*range(1, 10), 0)
    }
    for letters, words in rows.values():
        for number, letter in enumerate(letters, start=1):
            found[f"Key{letter}"] = _place(words % {"n": number}, words % {"n": number}, sign=True)
    beside = {
        "Backquote": _("left of 1"),
        "Minus": _("1st right of 0"),
        "Equal": _("2nd right of 0"),
        "BracketLeft": _("1st right of the upper letters"),
        "BracketRight": _("2nd right of the upper letters"),
        "Semicolon": _("1st right of the middle letters"),
        "Quote": _("2nd right of the middle letters"),
        "Backslash": _("beside Enter"),
        "IntlBackslash": _("right of the left Shift"),
        "Comma": _("1st right of the lowest letters"),
        "Period": _("2nd right of the lowest letters"),
        "Slash": _("3rd right of the lowest letters"),
    }
    found |= {code: _place(words, words, sign=True) for code, words in beside.items()}
    found |= {
        f"Numpad{n}": _place(_("number pad %(n)d") % {"n": n}, _("number pad %(n)d") % {"n": n})
        for n in range(1, 10)
    }
    named = {
        "Space": pgettext("key", "Space"),
        "Enter": pgettext("key", "Enter"),
        "Backspace": "⌫",
        "Delete": pgettext("key", "Del"),
        "ArrowUp": "↑",
        "ArrowDown": "↓",
        "ArrowLeft": "←",
        "ArrowRight": "→",
        "Home": pgettext("key", "Home"),
        "End": pgettext("key", "End"),
        "PageUp": pgettext("key", "Page up"),
        "PageDown": pgettext("key", "Page down"),
    }
    words = {
        "Backspace": _("Backspace"),
        "Delete": _("Delete"),
        "ArrowUp": _("arrow up"),
        "ArrowDown": _("arrow down"),
        "ArrowLeft": _("arrow left"),
        "ArrowRight": _("arrow right"),
    }
    return found | {code: _place(short, words.get(code, short)) for code, short in named.items()}


def _place(short: str, words: str, *, sign: bool = False) -> dict[str, Any]:
    return {"short": short, "words": words, "sign": sign}


def keys_of(user: User) -> dict[str, str]:
    """The key of every act for this person; what is stored but no act or key any more is passed over."""
    row = SheetKeys.objects.filter(user=user).first()
    own = {name: code for name, code in (row.keys if row else {}).items() if name in USUAL}
    return {**USUAL, **own}


def letters_of(user: User) -> dict[str, str]:
    """The letters of areas in every club of the person, with the area's name: the keys are the same in all of them."""
    clubs = Club.objects.filter(memberships__user=user)
    rows = Area.objects.filter(club__in=clubs).exclude(key="").order_by("pk").values_list("key", "name")
    return {key.upper(): name for key, name in rows}


@transaction.atomic
def set_key(*, user: User, act: str, code: str, printed: str = "") -> dict[str, str]:
    """Put an act on another key, or with an empty ``code`` back on its usual one; gives all keys of the person.

    ``printed`` is what the person's keyboard has on that key, where the browser said so.
    """
    if act not in BY_NAME:
        raise ValidationError({"act": _("There is no such act on the sheet.")})
    User.objects.select_for_update().filter(pk=user.pk).first()
    keys = keys_of(user)
    wanted = code or BY_NAME[act].usual
    _may_lie_on(user, keys, act, wanted, printed)
    keys[act] = wanted
    own = {name: one for name, one in keys.items() if one != USUAL[name]}
    SheetKeys.objects.update_or_create(user=user, defaults={"keys": own})
    return keys


@transaction.atomic
def set_usual(*, user: User) -> dict[str, str]:
    SheetKeys.objects.filter(user=user).delete()
    return dict(USUAL)


def _may_lie_on(user: User, keys: dict[str, str], act: str, code: str, printed: str) -> None:
    reason = _RESERVED.get(code)
    if reason:
        raise ValidationError({"code": str(reason)})
    if code.startswith(_MODIFIERS):
        raise ValidationError({"code": _("This key changes what other keys do. Choose another one.")})
    if code not in places():
        raise ValidationError({"code": _("The browser or the computer needs this key. Choose another one.")})
    for other, taken in keys.items():
        if taken == code and other != act:
            raise ValidationError(
                {
                    "code": _("This key is taken: %(act)s. Change that one first.")
                    % {"act": BY_NAME[other].words}
                }
            )
    letters = letters_of(user)
    for sign in (printed.upper(), _PRINTED.get(code, "")):
        if sign and sign in letters:
            raise ValidationError(
                {
                    "code": _("%(letter)s is the letter of the area %(area)s.")
                    % {"letter": sign, "area": letters[sign]}
                }
            )


def for_sheet(user: User) -> dict[str, Any]:
    """What ``keys.js`` is built from."""
    return {
        "keys": keys_of(user),
        "acts": [
            {"act": act.name, "words": str(act.words), "short": str(act.short), "holds": act.holds}
            for act in ACTS
        ],
        "places": places(),
    }
