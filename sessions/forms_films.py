"""What coaches and managers type about a film that is here."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from clubcoach import formatting
from sessions.models import Match
from sessions.templatetags.training_words import against

MINUS = "\N{MINUS SIGN}"


class OffsetField(forms.CharField):
    """Minutes and seconds, '12:30'; with a minus in front where the match begins somewhere in the film."""

    widget = forms.TextInput(attrs={"inputmode": "text", "size": 9})

    def clean(self, value: Any) -> float:
        text = str(super().clean(value) or "").strip().replace(MINUS, "-")
        found = re.fullmatch(r"(-?)(?:(\d{1,2}):)?(\d{1,3}):([0-5]\d)(\.\d{1,3})?", text, re.ASCII)
        if found is None:
            raise ValidationError(_now("Write minutes and seconds, such as 12:30 or -1:02:00."))
        sign, hours, minutes, seconds, rest = found.groups()
        total = int(hours or 0) * 3600 + int(minutes) * 60 + int(seconds) + float(rest or 0)
        return -total if sign else total


def offset_words(offset_s: float) -> str:
    """As the field takes it, to the thousandth of a second."""
    whole, rest = divmod(round(abs(offset_s) * 1000), 1000)
    decimals = f".{rest:03d}".rstrip("0") if rest else ""
    return f"{'-' if offset_s < 0 else ''}{formatting.clock(whole)}{decimals}"


class OffsetForm(forms.Form):
    offset = OffsetField(label=_("Begins at"))


class ShowMatchForm(forms.Form):
    match = forms.TypedChoiceField(
        label=_("Match"),
        help_text=_("The latest 50 of the club."),
        error_messages={
            "required": _("Choose the match."),
            "invalid_choice": _("Choose a match of the list."),
        },
    )
    offset = OffsetField(
        label=_("The film begins at"),
        initial="0:00",
        help_text=_(
            "Minutes and seconds of the match. Where the match begins later in the film, that place with a minus:"
            " -1:02:00."
        ),
    )

    def __init__(self, *args: Any, matches: Iterable[Match], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["match"].choices = [("", _now("choose"))] + [  # type: ignore[attr-defined]
            (
                str(match.uuid),
                _now("%(day)s: %(who)s")
                % {"day": formatting.day(match.played_on, match.club), "who": against(match)},
            )
            for match in matches
        ]


class HoldForm(forms.Form):
    why = forms.CharField(
        label=_("Why it is kept"),
        max_length=200,
        help_text=_("Stands on the film's page, for instance: shown at the coaches' evening in May."),
        error_messages={"required": _("Say why the film is kept for longer.")},
    )
