"""What coaches type about matches and analyses; the rules are in the services, whose refusals come back here."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.fields import InvalidJSONInput
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from clubcoach.models import Club, User
from players.forms import DayInput
from players.models import Area, Player, Side, Unit
from sessions.models import Analysis, Match
from sessions.models.matches import PairLetter
from sessions.services import SeatEntry

PLACES = (1, 2, 3, 4)
VISITOR = "visitor"


class MatchForm(forms.Form):
    played_on = forms.DateField(label=_("Played on"), widget=DayInput())
    kind = forms.ChoiceField(label=_("Kind"), choices=Match.Kind.choices)
    place = forms.ChoiceField(label=_("Place"), choices=Match.Place.choices)
    walls = forms.ChoiceField(label=_("Walls"), choices=Match.Walls.choices)
    first_server = forms.TypedChoiceField(
        label=_("Serves first"),
        coerce=int,
        choices=[(1, _("place 1")), (2, _("place 2")), (3, _("place 3")), (4, _("place 4"))],
    )
    first_near = forms.ChoiceField(label=_("Begins at the camera's end"), choices=PairLetter.choices)
    played_to = forms.ChoiceField(
        label=_("Played to"),
        choices=[
            ("sets", _("sets")),
            ("points", _("a number of points")),
            ("free", _("nothing: winners of rallies only")),
        ],
    )
    deuce = forms.ChoiceField(label=_("At 40-40"), choices=Club.Deuce.choices)
    sets_to_win = forms.TypedChoiceField(
        label=_("Sets to win"), coerce=int, choices=[(1, "1"), (2, "2"), (3, "3")], initial=2
    )
    games_per_set = forms.IntegerField(label=_("Games in a set"), min_value=1, max_value=12, initial=6)
    tiebreak = forms.BooleanField(label=_("Tie-break when games are level"), required=False, initial=True)
    match_tiebreak = forms.BooleanField(label=_("Match tie-break in place of the last set"), required=False)
    time_limited = forms.BooleanField(label=_("Ends when the time is up"), required=False)
    points_to = forms.IntegerField(label=_("Points"), min_value=1, max_value=99, required=False)
    points_rule = forms.ChoiceField(
        label=_("Points are"),
        choices=[("first_to", _("what a pair needs to win")), ("total", _("played in all"))],
    )

    MATCH = ("played_on", "kind", "place", "walls")
    START = ("first_server", "first_near")
    SETS = ("deuce", "sets_to_win", "games_per_set", "tiebreak", "match_tiebreak", "time_limited")
    POINTS = ("points_to", "points_rule")

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.club = club
        self.players = {str(player.pk): player for player in Player.objects.filter(club=club, active=True)}
        who = [("", _("choose")), (VISITOR, _("a visitor"))]
        who += [(key, player.name) for key, player in self.players.items()]
        sides = [("", _("both or unknown")), *Side.choices]
        for n in PLACES:
            self.fields[f"seat_{n}"] = forms.ChoiceField(
                label=_("Place %(n)d") % {"n": n},
                choices=who,
                error_messages={"required": _("Say who sat here, or that it was a visitor.")},
            )
            self.fields[f"seat_{n}_side"] = forms.ChoiceField(
                label=_("Side of place %(n)d") % {"n": n}, choices=sides, required=False
            )
            self.fields[f"seat_{n}_consent"] = forms.BooleanField(
                label=_("If a visitor: consent to be filmed is there on paper"), required=False
            )
        self.fields["played_on"].initial = club.today()
        self.fields["deuce"].initial = club.deuce

    def group(self, names: Iterable[str]) -> list[Any]:
        return [self[name] for name in names]

    def match_fields(self) -> list[Any]:
        return self.group(self.MATCH)

    def start_fields(self) -> list[Any]:
        return self.group(self.START)

    def sets_fields(self) -> list[Any]:
        return self.group(self.SETS)

    def points_fields(self) -> list[Any]:
        return self.group(self.POINTS)

    def pairs(self) -> list[tuple[Any, list[list[Any]]]]:
        """Each pair's label, and the three fields of each of its places."""
        rows = [[self[f"seat_{n}"], self[f"seat_{n}_side"], self[f"seat_{n}_consent"]] for n in PLACES]
        letters = dict(PairLetter.choices)
        return [(letters["A"], rows[:2]), (letters["B"], rows[2:])]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("played_to") == "points" and not data.get("points_to") and "points_to" not in self.errors:
            self.add_error("points_to", _("Say how many points."))
        if data.get("match_tiebreak") and data.get("sets_to_win") == 1 and data.get("played_to") == "sets":
            self.add_error("match_tiebreak", _("With one set there is no last set to replace."))
        return data

    def seats(self) -> list[SeatEntry]:
        data = self.cleaned_data
        return [
            SeatEntry(self.players.get(data[f"seat_{n}"]), data[f"seat_{n}_side"], data[f"seat_{n}_consent"])
            for n in PLACES
        ]

    def format(self) -> dict[str, Any]:
        data = self.cleaned_data
        if data["played_to"] == "points":
            return {"kind": "points", "points_to": data["points_to"], "points_rule": data["points_rule"]}
        if data["played_to"] == "free":
            return {"kind": "free"}
        names = ("deuce", "sets_to_win", "games_per_set", "match_tiebreak", "time_limited")
        return {
            "kind": "sets",
            "tiebreak": "to7" if data["tiebreak"] else "none",
            **{name: data[name] for name in names},
        }

    def facts(self) -> dict[str, Any]:
        """What `register_match` takes."""
        names = ("played_on", "kind", "place", "walls", "first_server", "first_near")
        return {
            "seats": self.seats(),
            "format": self.format(),
            **{name: self.cleaned_data[name] for name in names},
        }


class ClockField(forms.CharField):
    """Minutes and seconds, '12:30', as seconds."""

    def clean(self, value: Any) -> float | None:
        text = str(super().clean(value) or "").strip()
        if not text:
            return None
        found = re.fullmatch(r"(?:(\d{1,2}):)?(\d{1,3}):([0-5]\d)", text, re.ASCII)
        if found is None:
            raise ValidationError(_now("Write minutes and seconds, such as 12:30."))
        hours, minutes, seconds = (int(part or 0) for part in found.groups())
        return float(hours * 3600 + minutes * 60 + seconds)


class FilmForm(forms.Form):
    upload = forms.FileField(
        label=_("Film"),
        help_text=_("MP4, MOV, MKV, WebM or TS, best as it comes from the camera."),
        widget=forms.ClearableFileInput(attrs={"accept": "video/*,.mkv,.ts,.mts,.m2ts"}),
        error_messages={
            "required": _("Choose the film."),
            "empty": _("The file is empty. Choose the film itself."),
        },
    )
    offset_s = ClockField(
        label=_("The film begins at"),
        required=False,
        help_text=_("Minutes and seconds into the match. Leave it empty when films follow each other."),
    )
    visitors_agreed = forms.BooleanField(
        label=_("The visitors' consent to be filmed is there on paper"), required=False
    )

    def __init__(self, *args: Any, ask_visitors: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not ask_visitors:
            del self.fields["visitors_agreed"]


class AnalystSelect(forms.Select):
    """People with a stake in the match stand on the list with the reason, but cannot be chosen."""

    barred: Collection[str] = ()

    def create_option(self, name: str, value: Any, *args: Any, **kwargs: Any) -> dict[str, Any]:
        option = super().create_option(name, value, *args, **kwargs)
        if str(value) in self.barred:
            option["attrs"]["disabled"] = True
        return option


class AssignForm(forms.Form):
    analyst = forms.ChoiceField(label=_("Analyst"), widget=AnalystSelect())
    due_on = forms.DateField(label=_("Due on"), required=False, widget=DayInput())

    def __init__(
        self, *args: Any, coaches: Iterable[User], barred: Collection[int] = (), **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        offer_analysts(self.fields["analyst"], coaches, barred)

    def clean_analyst(self) -> User | None:
        return chosen_analyst(self)


def offer_analysts(field: Any, coaches: Iterable[User], barred: Collection[int]) -> None:
    """Everybody who analyses here, with their load and, where it is so, why they may not."""
    field.people = {str(person.pk): person for person in coaches}
    field.widget.barred = {str(pk) for pk in barred}
    choices = [("", _("nobody yet") if not field.required else _("choose"))]
    for key, person in field.people.items():
        if key in field.widget.barred:
            label = _now("%(name)s: played here, or family did") % {"name": person.name}
        else:
            label = ngettext("%(name)s, %(n)d open", "%(name)s, %(n)d open", person.at_work) % {
                "name": person.name,
                "n": person.at_work,
            }
        choices.append((key, label))
    field.choices = choices


def chosen_analyst(form: forms.Form) -> User | None:
    people: dict[str, User] = form.fields["analyst"].people  # type: ignore[attr-defined]
    return people.get(form.cleaned_data["analyst"])


class RequestForm(forms.Form):
    units = forms.MultipleChoiceField(
        label=_("Who is looked at"),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one player or pair.")},
    )
    areas = forms.ModelMultipleChoiceField(
        label=_("Areas"),
        queryset=Area.objects.none(),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one area.")},
    )
    analyst = forms.ChoiceField(label=_("Analyst"), required=False, widget=AnalystSelect())
    due_on = forms.DateField(label=_("Due on"), required=False, widget=DayInput())
    purpose = forms.ChoiceField(label=_("Purpose"), choices=Analysis.Purpose.choices)
    plan = forms.ChoiceField(label=_("What counts"), choices=Analysis.Plan.choices)
    extent = forms.ChoiceField(label=_("Extent"), choices=Analysis.Extent.choices)
    rally_facts = forms.MultipleChoiceField(
        label=_("Asked of each rally beyond its winner"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        choices=[
            ("net_pair", _("who was at the net when it ended: what the net is worth to this pair")),
            ("ended_by", _("whose hit ended it: who decides rallies, and who gives them away")),
            (
                "ended_how",
                _("how it ended: by a ball nobody reached, under pressure, without need, a double fault"),
            ),
        ],
        help_text=_("Each is one key more in every rally of the match. Tick only what you will talk about."),
    )

    def __init__(
        self, *args: Any, match: Match, coaches: Iterable[User], barred: Collection[int] = (), **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.match = match
        seated = {str(seat.position): seat for seat in match.seat_list if seat.player}
        choices = [(key, seat.player.name) for key, seat in seated.items()]
        for letter, ends in (("A", ("1", "2")), ("B", ("3", "4"))):
            if all(key in seated for key in ends):
                names = {"one": seated[ends[0]].player.name, "other": seated[ends[1]].player.name}
                choices.append((letter, _now("%(one)s and %(other)s as a pair") % names))
        self.fields["units"].choices = choices  # type: ignore[attr-defined]
        areas = Area.objects.filter(club=match.club_id, on=True)
        self.fields["areas"].queryset = areas  # type: ignore[attr-defined]
        offer_analysts(self.fields["analyst"], coaches, barred)

    def clean_units(self) -> list[Unit]:
        """The units themselves; a pair is made when it is first looked at."""
        players = {seat.position: seat.player for seat in self.match.seat_list}
        units = []
        for key in self.cleaned_data["units"]:
            if key in ("A", "B"):
                one, other = (players[n] for n in ((1, 2) if key == "A" else (3, 4)))
                units.append(Unit.objects.pair_of(one, other))
            else:
                units.append(Unit.objects.get(kind=Unit.Kind.PLAYER, first=players[int(key)]))
        return units

    def clean_analyst(self) -> User | None:
        return chosen_analyst(self)


class DevicesField(forms.JSONField):
    """JSON that nobody typed: what Python's reader falls over is as wrong as what is no JSON."""

    def to_python(self, value: Any) -> Any:
        try:
            return super().to_python(value)
        except (RecursionError, ValueError):
            raise ValidationError(self.error_messages["invalid"], code="invalid") from None

    def bound_data(self, data: Any, initial: Any) -> Any:
        try:
            return super().bound_data(data, initial)
        except (RecursionError, ValueError):
            return InvalidJSONInput(data)


class SubmitForm(forms.Form):
    # The sheet's script fills in the last number of each device; without it there is nothing on a device to wait for.
    devices = DevicesField(widget=forms.HiddenInput, initial=dict, required=False)

    def clean_devices(self) -> Any:
        devices = self.cleaned_data["devices"]
        return {} if devices is None else devices


class ReturnForm(forms.Form):
    text = forms.CharField(
        label=_("What should be looked at again"),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 4}),
        error_messages={"required": _("Say what should be looked at again.")},
    )


class WordsForm(forms.Form):
    words = forms.CharField(
        label=_("Your words to the student"),
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text=_("What went well first, then the one thing to work on."),
    )


class PublishForm(WordsForm, SubmitForm):
    pass


class SureForm(forms.Form):
    """A step that needs nothing but being sure."""
