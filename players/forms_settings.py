"""Forms of what a club decides for itself: its settings, its levels, and its check list."""

import zoneinfo
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from clubcoach.compute.checklist_edit import MOST, STEP, is_court_line, spoken_bounds, unit_of
from clubcoach.models import Club
from players.forms import LanguageField
from players.models import Area, Level
from players.services.levels import WORDS_MOST, standard_field
from players.services.settings import bound_field

REGIONS = {
    "Africa",
    "America",
    "Antarctica",
    "Asia",
    "Atlantic",
    "Australia",
    "Europe",
    "Indian",
    "Pacific",
}


def time_zones(also: str = "") -> list[tuple[Any, Any]]:
    """Zones by region, by the names of the places; `also` stands on the list whatever it is."""
    regions: dict[str, list[tuple[str, str]]] = {}
    for zone in sorted(zoneinfo.available_timezones()):
        region, _slash, place = zone.partition("/")
        if place and region in REGIONS:
            regions.setdefault(region, []).append((zone, place.replace("_", " ").replace("/", ", ")))
    other = [("UTC", "UTC")]
    listed = {zone for rows in regions.values() for zone, _name in rows} | {"UTC"}
    if also and also not in listed:
        other.append((also, also))
    return [*sorted(regions.items()), (_now("Other"), other)]


class ClubForm(forms.Form):
    name = forms.CharField(
        label=_("Name"), max_length=120, help_text=_("Stands on every page and in every mail, from now on.")
    )
    time_zone = forms.ChoiceField(
        label=_("Time zone"),
        help_text=_(
            "Decides which day it is and at which hour a lesson is shown, on every page from now on. What happened"
            " keeps its moment."
        ),
    )
    language = LanguageField(
        label=_("Language"), help_text=_("For mails to people who have not chosen one themselves.")
    )
    deuce = forms.ChoiceField(
        label=_("At 40-40"),
        choices=Club.Deuce.choices,
        help_text=_("New matches begin with this rule. A match that is registered keeps its own."),
    )
    feet_rule = forms.ChoiceField(
        label=_("Feet at the serve"),
        choices=Club.Feet.choices,
        help_text=_("The rule that your coaches go by, from now on. No film is ever scored by it."),
    )
    own_consent_age = forms.IntegerField(
        label=_("Age of own consent"),
        min_value=13,
        max_value=18,
        help_text=_(
            "Below this age a guardian has to agree to films beside the player, at once also for films that are here"
            " already. The law where you are decides: ask there."
        ),
    )
    majority_age = forms.IntegerField(
        label=_("Age of majority"),
        min_value=16,
        max_value=21,
        help_text=_(
            "Below it a player is a minor: guardians see the child's page, lists show initials, there is one focus"
            " point at a time. Counts at once."
        ),
    )
    film_months = forms.IntegerField(
        label=_("Months that a film is kept"),
        min_value=1,
        max_value=60,
        help_text=_(
            "Counted from when the last analysis of its matches was published, or from the upload where none was. Then"
            " the film is deleted, with the pictures made of it, also one that is here already; a film that somebody"
            " holds stays, and one without everybody's consent goes a week after that."
        ),
    )
    welfare_contact = forms.CharField(
        label=_("Welfare contact"),
        max_length=200,
        required=False,
        help_text=_("A person or an address to turn to. Every page of the club names it, from now on."),
    )
    # Which ages the person has read the effect of; another pair is asked about again.
    ages_seen = forms.CharField(required=False, max_length=12, widget=forms.HiddenInput)

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        initial = {name: getattr(club, name) for name in self.base_fields if hasattr(club, name)}
        super().__init__(*args, initial=initial, **kwargs)
        self.fields["time_zone"].choices = time_zones(club.time_zone)  # type: ignore[attr-defined]
        if len(settings.LANGUAGES) == 1:
            del self.fields["language"]

    @property
    def ages(self) -> str:
        return f"{self.cleaned_data['own_consent_age']}/{self.cleaned_data['majority_age']}"


class LevelWordsForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=60)
    description = forms.CharField(
        label=_("Description"),
        required=False,
        max_length=WORDS_MOST,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text=_(
            "What somebody of this level does on court. A rating from elsewhere can stand here as a note; it is never"
            " converted."
        ),
    )


class LevelEditForm(LevelWordsForm):
    """The words of a level and, below them, one figure for each area."""

    def __init__(self, *args: Any, level: Level, areas: Iterable[Area], **kwargs: Any) -> None:
        have = {row.area_id: row.score for row in level.standards.all()}
        self.areas = list(areas)
        initial = {"name": level.name, "description": level.description}
        initial |= {standard_field(area): have.get(area.pk) for area in self.areas}
        super().__init__(*args, initial=initial, **kwargs)
        for area in self.areas:
            self.fields[standard_field(area)] = forms.IntegerField(
                label=area.name,
                min_value=0,
                max_value=100,
                required=False,
                help_text="" if area.on else _("Not looked at this term."),
                error_messages={
                    "min_value": _("A standard lies between 0 and 100."),
                    "max_value": _("A standard lies between 0 and 100."),
                    "invalid": _("Write a whole number between 0 and 100, or leave it empty."),
                },
            )

    @property
    def words(self) -> list[Any]:
        return [self["name"], self["description"]]

    @property
    def grid(self) -> list[Any]:
        return [self[standard_field(area)] for area in self.areas]

    def standards(self) -> dict[Area, int | None]:
        return {area: self.cleaned_data[standard_field(area)] for area in self.areas}


class RemoveLevelForm(forms.Form):
    move_to = forms.ModelChoiceField(
        label=_("Move them to"),
        queryset=Level.objects.none(),
        required=False,
        empty_label=_("choose a level"),
        error_messages={"invalid_choice": _("This is no level of the club.")},
    )

    def __init__(self, *args: Any, level: Level, used: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["move_to"].required = bool(used)
        self.fields["move_to"].error_messages["required"] = used
        others = Level.objects.filter(club=level.club_id).exclude(pk=level.pk)
        self.fields["move_to"].queryset = others  # type: ignore[attr-defined]


@dataclass(frozen=True)
class CheckRow:
    """A check as the page shows it: what the list says of it, its switch, its figures."""

    check: Mapping[str, Any]
    switch: Any
    bounds: list[Any]
    on_the_line: bool


@dataclass(frozen=True)
class AreaPart:
    area: Mapping[str, Any]
    switch: Any
    bounds: list[Any]
    checks: list[CheckRow]


UNITS = {"m": _("metres"), "s": _("seconds")}


class CheckListForm(forms.Form):
    """A switch for each area and check, a figure for each bound that a club may set."""

    seen = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, data: Mapping[str, Any], number: int, on: set[str], **kwargs: Any) -> None:
        self.data_of_list = data
        super().__init__(*args, initial={"seen": number}, **kwargs)
        said = spoken_bounds(data)
        for area in data["areas"]:
            self._switch(f"area-{area['code']}", _("Looked at this term"), area["code"] in on)
            self._figures(area, said)
        for check in data["checks"]:
            label = f"{check['code']} {check['name']}"
            self._switch(f"check-{check['code']}", label, check["on_by_default"])
            self._figures(check, said)

    def _switch(self, name: str, label: Any, on: bool) -> None:
        self.fields[name] = forms.BooleanField(label=label, required=False, initial=on)

    def _figures(self, row: Mapping[str, Any], said: frozenset[tuple[str, str]]) -> None:
        for name, value in row["bounds"].items():
            if is_court_line(name, value):
                continue
            unit = unit_of(name)
            label = _now("%(name)s, in %(unit)s") % {
                "name": name.rsplit("_", 1)[0].replace("_", " ").capitalize(),
                "unit": UNITS[unit],
            }
            in_range = _("Between %(low)s and %(high)s.") % {"low": STEP, "high": f"{MOST[unit]:g}"}
            self.fields[bound_field(row["code"], name)] = forms.FloatField(
                label=label,
                # A whole figure stands in its field as it stands in the sentence.
                initial=int(value) if value == int(value) else value,
                min_value=STEP,
                max_value=MOST[unit],
                help_text="" if (row["code"], name) in said else _("The sentences say it in words."),
                widget=forms.NumberInput(attrs={"step": STEP, "inputmode": "decimal"}),
                error_messages={"min_value": in_range, "max_value": in_range},
            )

    def parts(self) -> list[AreaPart]:
        checks = sorted(self.data_of_list["checks"], key=lambda row: row["phase"])
        return [
            AreaPart(
                area,
                self[f"area-{area['code']}"],
                self._shown(area),
                [
                    CheckRow(
                        check, self[f"check-{check['code']}"], self._shown(check), self._on_the_line(check)
                    )
                    for check in checks
                    if check["area"] == area["code"]
                ],
            )
            for area in sorted(self.data_of_list["areas"], key=lambda row: row["order"])
        ]

    def _shown(self, row: Mapping[str, Any]) -> list[Any]:
        names = [bound_field(row["code"], name) for name in row["bounds"]]
        return [self[name] for name in names if name in self.fields]

    def _on_the_line(self, row: Mapping[str, Any]) -> bool:
        return any(is_court_line(name, value) for name, value in row["bounds"].items())

    def chosen(self) -> dict[str, Any]:
        """What was typed as the service takes it."""
        values, data = self.cleaned_data, self.data_of_list
        return {
            "areas_on": [row["code"] for row in data["areas"] if values[f"area-{row['code']}"]],
            "checks_on": [row["code"] for row in data["checks"] if values[f"check-{row['code']}"]],
            "bounds": {
                row["code"]: {
                    name: values[bound_field(row["code"], name)]
                    for name in row["bounds"]
                    if bound_field(row["code"], name) in values
                }
                for row in [*data["areas"], *data["checks"]]
            },
            "seen": values["seen"],
        }

    def tell(self, error: ValidationError) -> None:
        """A refusal of the service at the switch or the figure it is about, else above the form."""
        if not hasattr(error, "error_dict"):
            self.add_error(None, error)
            return
        for where, errors in error.error_dict.items():
            named = [name for name in (where, f"area-{where}", f"check-{where}") if name in self.fields]
            self.add_error(named[0] if named else None, errors)
