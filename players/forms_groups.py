"""What people type about pairs and squads; the rules are in the services, whose refusals come back here."""

from collections.abc import Iterable
from itertools import groupby
from typing import Any

from django import forms
from django.db.models import Q
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, people_who_can
from clubcoach.models import Club, User
from players.models import Level, Player, Squad

MOST_IN_A_DRAWER = 40


class PairFilter(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=80, required=False)


class PairForm(forms.Form):
    one = forms.ModelChoiceField(label=_("One player"), queryset=Player.objects.none(), to_field_name="uuid")
    other = forms.ModelChoiceField(
        label=_("The other player"), queryset=Player.objects.none(), to_field_name="uuid"
    )

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("one", "other"):
            field: Any = self.fields[name]
            field.queryset = Player.objects.filter(club=club, active=True).select_related("club")
            field.error_messages["required"] = _("Choose a player.")
            field.error_messages["invalid_choice"] = _("This is no player in the club's programme.")


class SquadForm(forms.Form):
    name = forms.CharField(
        label=_("Name"), max_length=60, error_messages={"required": _("Give the squad a name.")}
    )
    level = forms.ModelChoiceField(
        label=_("Level"), queryset=Level.objects.none(), required=False, empty_label=_("mixed or not known")
    )
    coach = forms.ModelChoiceField(
        label=_("Coach"),
        queryset=User.objects.none(),
        required=False,
        empty_label=_("nobody yet"),
        help_text=_("Lessons that are planned already keep their coach."),
    )
    players = forms.MultipleChoiceField(
        label=_("Players"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"invalid_choice": _("Somebody chosen is no player of the club.")},
    )

    def __init__(self, *args: Any, club: Club, squad: Squad | None = None, **kwargs: Any) -> None:
        members = set(squad.players.values_list("pk", flat=True)) if squad else set()
        if squad:
            kwargs["initial"] = {"name": squad.name, "level": squad.level_id, "coach": squad.coach_id}
        super().__init__(*args, **kwargs)
        self.members = {str(pk) for pk in members}
        fields: dict[str, Any] = self.fields
        fields["level"].queryset = Level.objects.filter(club=club)
        fields["coach"].queryset = people_who_can(club, Can.RUN_LESSONS)
        there = Player.objects.filter(Q(active=True) | Q(pk__in=members), club=club)
        self.people = list(
            there.select_related("level", "club").order_by(
                "level__position", "family_name", "given_name", "pk"
            )
        )
        fields["players"].choices = [(str(player.pk), player.name) for player in self.people]

    def chosen(self) -> set[str]:
        return set(self.data.getlist("players")) if self.is_bound else self.members  # type: ignore[union-attr]

    def facts(self) -> dict[str, Any]:
        by_key = {str(player.pk): player for player in self.people}
        return {**self.cleaned_data, "players": [by_key[key] for key in self.cleaned_data["players"]]}

    def drawers(self) -> list[dict[str, Any]]:
        """Everybody by level in drawers short enough to go through by keys; those with somebody in them stand open."""
        chosen = self.chosen()
        drawers = []
        levels = [(level, list(rows)) for level, rows in groupby(self.people, key=lambda one: one.level)]
        for level, rows in sorted(levels, key=lambda row: row[0] is None):
            for part, letters in _parts(rows):
                places = [(player, str(player.pk) in chosen) for player in part]
                drawers.append(
                    {
                        "label": " ".join(
                            filter(None, [level.name if level else _now("No level yet"), letters])
                        ),
                        "places": places,
                        "chosen": sum(ticked for _player, ticked in places),
                        "all": len(places),
                    }
                )
        return drawers


def _parts(people: list[Player]) -> Iterable[tuple[list[Player], str]]:
    """A long level in even parts, each named by its first and last family name."""
    count = -(-len(people) // MOST_IN_A_DRAWER)
    if count < 2:
        return [(people, "")] if people else []
    size = -(-len(people) // count)
    parts = [people[start : start + size] for start in range(0, len(people), size)]
    return [
        (
            part,
            _now("(%(first)s to %(last)s)")
            % {
                "first": part[0].family_name or part[0].given_name,
                "last": part[-1].family_name or part[-1].given_name,
            },
        )
        for part in parts
    ]


class SquadFilter(forms.Form):
    retired = forms.BooleanField(label=_("also retired ones"), required=False)


class RetireForm(forms.Form):
    call_off = forms.BooleanField(label=_("Call the lessons off that are still planned"), required=False)
