"""What the sheet says of marks on their way, of notes that came back, and of other tabs, devices and people."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext


def in_forms(one: str, many: str) -> dict[str, Any]:
    """The forms that a language has for a number, and which of them each number up to 199 takes.

    Beyond that the last two digits decide, in every language.
    """
    spoken = [ngettext(one, many, n) for n in range(200)]
    forms = list(dict.fromkeys(spoken))
    return {"forms": forms, "which": "".join(str(forms.index(text)) for text in spoken)}


def store_words() -> dict[str, Any]:
    return {**_status(), **_trouble(), **_differs(), **_leaving()}


def _status() -> dict[str, Any]:
    return {
        "all_saved": _("all saved"),
        "waiting_n": in_forms("{n} mark waiting", "{n} marks waiting"),
    }


def _trouble() -> dict[str, Any]:
    return {
        "trouble_offline": _(
            "The server cannot be reached. Your marks are kept on this device and sent later."
        ),
        "trouble_server": _("The server has a problem. Your marks are kept on this device and sent later."),
        "trouble_login": _(
            "You are logged out. Log in again in another tab: your marks wait on this device."
        ),
        "trouble_other_person": _(
            "Somebody else is logged in on this device now. Your marks wait here and are sent"
            " once you are logged in again."
        ),
        "trouble_forbidden": _("Your marks are not taken: {message} They stay on this device."),
        "trouble_closed": _("{message} What was not sent before stays on this device."),
        "trouble_other_tab": _(
            "This sheet is open in another tab, which writes. Here it is shown;"
            " close the other one to go on here."
        ),
        "trouble_store": _(
            "This browser keeps nothing on the device. Leave the page open until it says “all saved”."
        ),
        "took_over": _("The other tab is closed. This one writes now."),
    }


def _differs() -> dict[str, Any]:
    return {
        "differs": _("{what}: another device has written something else."),
        "differs_values": _("Here: {mine}. There: {theirs}."),
        "keep_mine": _("Keep what is here"),
        "take_theirs": _("Take what is there"),
        "not_taken": _("{what} was not taken: {message}"),
        "read_it": _("Read"),
        "area_in_rally": _("{area} in rally {n}"),
        "check_in_rally": _("{code} in rally {n}"),
        "without_time": _("without a time"),
        "removed": _("removed"),
        "there": _("there"),
    }


def _leaving() -> dict[str, Any]:
    return {
        "submit_unsent": in_forms(
            "{n} mark of this device has not arrived yet. Wait for “all saved”, then hand it in.",
            "{n} marks of this device have not arrived yet. Wait for “all saved”, then hand it in.",
        ),
        "submit_notes": _("Answer the notes at the top of the sheet first."),
        "logout_unsent": in_forms(
            "{n} mark is only on this device. It stays here under your name until you log in again."
            " Log out all the same?",
            "{n} marks are only on this device. They stay here under your name until you log in again."
            " Log out all the same?",
        ),
    }
