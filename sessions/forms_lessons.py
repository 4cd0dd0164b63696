"""What coaches type about lessons; the rules are in the services, whose refusals come back here."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, people_who_can
from clubcoach.models import Club, User
from players.forms import DayInput, tell
from players.models import Squad
from sessions.models import Attendance


class TimeInput(forms.TimeInput):
    input_type = "time"

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(format="%H:%M", **kwargs)


class LessonFilter(forms.Form):
    squad = forms.ModelChoiceField(
        label=_("Squad"), queryset=Squad.objects.none(), required=False, empty_label=_("all squads")
    )
    coach = forms.ModelChoiceField(
        label=_("Coach"), queryset=User.objects.none(), required=False, empty_label=_("all coaches")
    )

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choose(self, "squad", Squad.objects.filter(club=club))
        _choose(self, "coach", people_who_can(club, Can.RUN_LESSONS))


class PlanForm(forms.Form):
    squad = forms.ModelChoiceField(label=_("Squad"), queryset=Squad.objects.none())
    coach = forms.ModelChoiceField(
        label=_("Coach"),
        queryset=User.objects.none(),
        required=False,
        empty_label=_("the squad's own coach"),
    )
    day = forms.DateField(label=_("First day"), widget=DayInput())
    time = forms.TimeField(label=_("Time"), widget=TimeInput())
    weeks = forms.IntegerField(label=_("Weeks"), min_value=1, max_value=30, initial=1)
    minutes = forms.IntegerField(label=_("Minutes"), min_value=15, max_value=240, initial=60)
    court = forms.CharField(label=_("Court"), max_length=40, required=False)
    plan = forms.CharField(
        label=_("Plan"),
        max_length=2000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text=_("What the lessons are about. Coaches read it on the lesson's page."),
    )

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.club = club
        _choose(self, "squad", Squad.objects.filter(club=club, retired_on=None).select_related("coach"))
        _choose(self, "coach", people_who_can(club, Can.RUN_LESSONS))
        self.fields["time"].help_text = _("On the club's clock (%(zone)s); every week the same.") % {
            "zone": club.time_zone
        }

    def facts(self) -> dict[str, Any]:
        data = dict(self.cleaned_data)
        first = datetime.combine(data.pop("day"), data.pop("time"), tzinfo=self.club.zone)
        return {**data, "coach": data["coach"] or data["squad"].coach, "first": first}

    def tell(self, error: ValidationError) -> None:
        if hasattr(error, "error_dict") and "first" in error.error_dict:
            error.error_dict["day"] = error.error_dict.pop("first")
        tell(self, error)


class AttendanceForm(forms.Form):
    """Three marks a player; who has none stays as they are, or came if the button says so."""

    MARKS = [choice for choice in Attendance.State.choices if choice[0] != Attendance.State.EXPECTED]

    def __init__(self, *args: Any, rows: Iterable[Attendance], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = list(rows)
        known = dict(self.MARKS)
        for row in self.rows:
            self.fields[f"player-{row.player_id}"] = forms.ChoiceField(
                label=row.player.name,
                choices=self.MARKS,
                required=False,
                widget=forms.RadioSelect,
                initial=row.state if row.state in known else None,
            )

    def places(self) -> list[tuple[Attendance, Any]]:
        return [(row, self[f"player-{row.player_id}"]) for row in self.rows]

    def states(self) -> dict[int, str]:
        marked = {row.player_id: self.cleaned_data[f"player-{row.player_id}"] for row in self.rows}
        if "all_came" in self.data:
            return {player: state or str(Attendance.State.CAME) for player, state in marked.items()}
        return {player: state for player, state in marked.items() if state}


class CallOffForm(forms.Form):
    reason = forms.CharField(
        label=_("Why"),
        max_length=200,
        error_messages={"required": _("Say why: whoever was expected may ask.")},
    )


def _choose(form: forms.Form, name: str, rows: Any) -> None:
    form.fields[name].queryset = rows  # type: ignore[attr-defined]
