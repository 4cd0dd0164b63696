"""What people type on a student's page; the rules are in the services."""

from __future__ import annotations

import uuid as uuids
from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms
from django.utils.html import format_html
from django.utils.translation import gettext_lazy as _

from clubcoach import formatting
from clubcoach.models import Club
from players.forms import DayInput
from players.models import Check, CheckListVersion, CheckWording, Drill, Note, Player, Unit
from reports.homework import TIMES
from reports.models import FocusPoint, Homework, HomeworkLog


class SinceForm(forms.Form):
    """Since which match day a change is told; it is asked with the page and so never bound."""

    since = forms.ChoiceField(label=_("Change since"))

    def __init__(self, *, days: Iterable[date], since: date, club: Club, area: str = "") -> None:
        super().__init__(auto_id="change-%s")
        self.fields["since"].choices = [(day.isoformat(), formatting.day(day, club)) for day in sorted(days)]
        self.fields["since"].initial = since.isoformat()
        if area:
            self.fields["area"] = forms.CharField(widget=forms.HiddenInput, initial=area)


class LogForm(forms.Form):
    """Two taps: how many of ten went well, and how it felt, which sends it."""

    good = forms.TypedChoiceField(
        label=_("How many of 10 went well?"),
        choices=[(n, str(n)) for n in range(11)],
        coerce=int,
        widget=forms.RadioSelect,
        error_messages={"required": _("Tap how many went well.")},
    )
    done_on = forms.DateField(label=_("Day"), required=False, widget=DayInput())
    tried = forms.IntegerField(widget=forms.HiddenInput, initial=10)
    felt = forms.ChoiceField(required=False, choices=[("", ""), *HomeworkLog.Felt.choices])
    uuid = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, homework: Homework, today: date, uuid: uuids.UUID, **kwargs: Any) -> None:
        # Several of these stand on one page: their fields need names of their own for the labels.
        kwargs.setdefault("auto_id", f"log-{homework.pk}-%s")
        super().__init__(*args, **kwargs)
        self.homework, self.today = homework, today
        if homework.drill.place == Drill.Place.IN_YOUR_MATCH:
            self.fields["good"].label = _("Of 10 chances, how often did you keep it?")
        self.fields["uuid"].initial = uuid
        self.fields["done_on"].initial = today
        self.fields["done_on"].widget.attrs["max"] = today.isoformat()

    def clean_done_on(self) -> date:
        return self.cleaned_data["done_on"] or self.today


class FocusForm(forms.Form):
    check = forms.ChoiceField(label=_("What to work on"))
    words = forms.CharField(
        label=_("In your own words"), max_length=300, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    cue = forms.CharField(
        label=_("Cue"), max_length=160, required=False, help_text=_("Empty: the cue of the check list.")
    )

    def __init__(self, *args: Any, units: list[Unit], club: Club, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", "focus-%s")
        super().__init__(*args, **kwargs)
        self.units = {unit.pk: unit for unit in units}
        self.checks: dict[int, Check] = {}
        self.fields["check"].choices = [("", "–"), *self._groups(club)]  # type: ignore[attr-defined]

    def _groups(self, club: Club) -> list[Any]:
        latest = CheckListVersion.objects.of(club).values_list("pk", flat=True)[:1]
        wordings = list(
            CheckWording.objects.filter(
                version__in=list(latest),
                check_identity__kind=Check.Kind.DOING,
                check_identity__retired_on=None,
                check_identity__area__on=True,
            )
            .select_related("check_identity__area")
            .order_by("check_identity__area__position", "check_identity__phase")
        )
        groups = []
        for unit in self.units.values():
            options = []
            for wording in wordings:
                check = wording.check_identity
                if check.unit == unit.kind:
                    self.checks[check.pk] = check
                    options.append((f"{unit.pk}-{check.pk}", f"{check.area.name}: {wording.name}"))
            if options:
                groups.append((unit.name, options))
        return groups

    def chosen(self) -> tuple[Unit, Check]:
        unit, check = self.cleaned_data["check"].split("-")
        return self.units[int(unit)], self.checks[int(check)]


class RewordForm(forms.Form):
    words = forms.CharField(
        label=_("In your own words"), max_length=300, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    cue = forms.CharField(
        label=_("Cue"), max_length=160, required=False, help_text=_("Empty: the cue of the check list.")
    )

    def __init__(self, *args: Any, point: FocusPoint, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", f"reword-{point.pk}-%s")
        kwargs.setdefault("initial", {"words": point.words, "cue": point.cue})
        super().__init__(*args, **kwargs)
        self.point = point


class HomeworkForm(forms.Form):
    drill = forms.ModelChoiceField(label=_("Drill"), queryset=Drill.objects.none(), empty_label="–")
    times = forms.IntegerField(label=_("Times a week"), min_value=1, max_value=7, initial=TIMES)

    def __init__(self, *args: Any, player: Player, **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", "give-%s")
        super().__init__(*args, **kwargs)
        drills = Drill.objects.filter(club=player.club_id, retired_on=None).order_by("name")
        self.fields["drill"].queryset = drills  # type: ignore[attr-defined]


class NoteForm(forms.Form):
    text = forms.CharField(
        label=_("Note"),
        max_length=Note._meta.get_field("text").max_length,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": _("Write what you saw or what you want to keep in mind.")},
    )
    for_players = forms.BooleanField(label=_("the players read it too"), required=False)

    def __init__(self, *args: Any, minors: list[Player], **kwargs: Any) -> None:
        kwargs.setdefault("auto_id", "note-%s")
        super().__init__(*args, **kwargs)
        names = ", ".join(player.given_name for player in minors)
        self.fields["for_players"].help_text = (
            # Help is shown as it stands, and a name is anybody's words.
            format_html(_("{}: a minor's guardian reads the same words."), names)
            if names
            else _("Without this tick only coaches read it.")
        )
