"""Every sentence that the script of the film form says, in the reader's language; values stand in braces."""

from __future__ import annotations

from django.utils.translation import gettext as _


def arrival_words() -> dict[str, str]:
    return {**_facts(), **_going(), **_trouble(), **units()}


def units() -> dict[str, str]:
    return {"gb": _("{n} GB"), "mb": _("{n} MB"), "kb": _("{n} kB")}


def _facts() -> dict[str, str]:
    return {
        "looking": _("Looking at the file."),
        "chosen": _("{name}: {size}, {length} long, {width} by {height} points."),
        "chosen_unplayable": _(
            "{name}: {size}. This browser cannot play it as it is. If it is a film, a copy that plays is made"
            " after the upload."
        ),
        "empty": _("{name} is empty. Choose the film itself."),
        "here_already": _("{name}: this film is here already."),
        "goes_on": _("{name}: {percent} % of it are here. Uploading goes on from there."),
        "insecure": _(
            "This page came without a secure connection (https). A film can be uploaded, but after a reload"
            " it begins anew, and it cannot stay on this device."
        ),
    }


def _going() -> dict[str, str]:
    return {
        "going": _("Uploading {name}"),
        "share": _("{done} of {size}"),
        "left_seconds": _("less than a minute left"),
        "left_minute": _("about 1 minute left"),
        "left_minutes": _("about {n} minutes left"),
        "left_hours": _("about {n} hours left"),
        "begins": _("The upload begins."),
        "paused": _("Paused. What has come is kept."),
        "done": _("The film has arrived."),
        "pause": _("Pause"),
        "go_on": _("Go on"),
        "leave": _("The film is still on its way. If you leave, choose the same file again to go on."),
    }


def _trouble() -> dict[str, str]:
    return {
        "line": _("The line is gone. It is tried again in {n} s; what has come is kept."),
        "busy": _("The server is busy. It is tried again in {n} s."),
        "logged_out": _("You are logged out. Log in again in another tab, then press “Go on”."),
        "gone": _("This upload is no longer there. Choose the film again to begin anew."),
        "refused": _("The film was not taken: {why}"),
        "no_clock": _("Write minutes and seconds, such as 12:30."),
        "unreadable": _("The file cannot be read any more: it was moved or changed. Choose it again."),
        "unreachable": _("The server cannot be reached. Try again when you are back online."),
    }
