"""What is said of a film: why it cannot be used, and what a viewer of it should know."""

from typing import Any

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

MESSAGES: dict[str, Promise] = {
    "missing": _("The film's file is not there any more."),
    "empty": _("The file is empty. The upload may have been interrupted: please upload it again."),
    "not_a_video": _("This file is not a film. MP4, MOV, MKV, WebM and TS files can be read."),
    "no_video": _("This file has sound but no picture. Please choose the film itself."),
    "cut_short": _(
        "The end of the film is missing. Copying it may have been interrupted: please upload it again."
    ),
    "broken": _("The film cannot be read: the file is damaged."),
    "locked": _("The film is encrypted. Please export it without copy protection."),
    "unsupported": _(
        "The pictures are stored in a way that cannot be read here ({codec}). Please export it as a plain MP4."
    ),
    "too_large": _("The file is larger than {gigabytes} GB. Please cut it or export it in a lower quality."),
    "too_sharp": _("The picture is too large ({width} × {height}). Please export it in 4K or less."),
    "too_long": _("The film is longer than {hours} hours. Please cut it into parts."),
    "too_heavy": _(
        "Reading the film took more time or memory than is allowed. Please export it as a plain MP4."
    ),
    "no_such_time": _("The film has no picture at that time."),
    "no_sound": _("The film has no sound that can be read."),
    "no_room": _("The piece could not be written: it is larger than is allowed, or the disk is full."),
}

REMARKS: dict[str, Promise] = {
    "cut_short": _("The end of the film is missing. What could be read is here."),
    "two_sounds": _("The film has more than one sound track. The first one is heard."),
    "varied_rate": _("The camera took its pictures at uneven intervals. Each one keeps its own time."),
    "thinned": _("The camera took more than 60 pictures a second. Some were left out at even steps."),
    "sideways_stored": _("The film was stored turned. It is shown upright."),
    "no_sound": _("The film has no sound."),
    "sound_damaged": _("Some of the sound could not be read and was left silent."),
}


class FilmError(Exception):
    """A film that cannot be used, or a time that it does not have; `message` is for the person who chose it."""

    def __init__(self, code: str, message: Promise | str) -> None:
        super().__init__(code, message)
        self.code = code
        self.message = message

    def __str__(self) -> str:
        return str(self.message)


def film_error(code: str, **facts: Any) -> FilmError:
    return FilmError(code, format_lazy(MESSAGES[code], **facts) if facts else MESSAGES[code])
