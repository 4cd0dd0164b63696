"""What people type to find a drill and to write one; the rules are in the services."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from clubcoach.compute.diagram_lines import read_lines, write_lines
from clubcoach.compute.drills import MOST_OVERHEADS
from clubcoach.models import Club
from players.drills import LOADS, wordings_now
from players.models import Area, Check, CheckWording, Drill

PLAYERS = [(str(n), str(n)) for n in range(1, 5)]


def check_choices(wordings: list[CheckWording]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Checks under their areas, by code."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for row in wordings:
        check = row.check_identity
        groups.setdefault(check.area.name, []).append((check.code, f"{check.code}: {row.name}"))
    return list(groups.items())


class DrillFilter(forms.Form):
    word = forms.CharField(label=_("Word"), max_length=80, required=False)
    area = forms.ModelChoiceField(
        label=_("Area"),
        queryset=Area.objects.none(),
        to_field_name="code",
        required=False,
        empty_label=_("all areas"),
    )
    check = forms.ChoiceField(label=_("Check"), required=False)
    stage = forms.ChoiceField(
        label=_("Stage"), choices=[("", _("all stages")), *Drill.Stage.choices], required=False
    )
    players = forms.TypedChoiceField(
        label=_("How many are there?"),
        choices=[("", _("any number")), *PLAYERS],
        coerce=int,
        empty_value=None,
        required=False,
    )
    place = forms.ChoiceField(
        label=_("Place"), choices=[("", _("all places")), *Drill.Place.choices], required=False
    )
    retired = forms.BooleanField(label=_("also out of use"), required=False)

    def __init__(self, *args: Any, club: Club, coach: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["area"].queryset = Area.objects.filter(club=club)  # type: ignore[attr-defined]
        choices = check_choices(wordings_now(club))
        self.fields["check"].choices = [("", _("all checks")), *choices]  # type: ignore[attr-defined]
        if not coach:
            del self.fields["retired"]


class LinesField(forms.CharField):
    """A list of texts, one a line."""

    def __init__(self, *, rows: int, **kwargs: Any) -> None:
        super().__init__(widget=forms.Textarea(attrs={"rows": rows}), **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return "\n".join(value) if isinstance(value, list) else value

    def to_python(self, value: Any) -> Any:
        return [" ".join(line.split()) for line in (value or "").splitlines() if line.strip()]

    def validate(self, value: Any) -> None:
        if self.required and not value:
            raise forms.ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """Lengths and numbers are for the library's own rules."""


class CourtField(forms.CharField):
    """A plan of the court in lines, read to its data; what cannot be read is named with its line."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {"rows": 10, "spellcheck": "false"}
        super().__init__(widget=forms.Textarea(attrs=attrs), max_length=2000, **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return write_lines(value) if isinstance(value, dict) else value

    def clean(self, value: Any) -> Any:
        court, problems = read_lines(super().clean(value))
        if problems:
            raise forms.ValidationError([_line_words(*problem) for problem in problems[:6]])
        return court


def _line_words(line: int, what: str, what_to_do: str) -> str:
    if not line:
        return gettext("The plan: %(what)s; %(advice)s.") % {"what": what, "advice": what_to_do}
    values = {"line": line, "what": what, "advice": what_to_do}
    return gettext("Line %(line)d: %(what)s; %(advice)s.") % values


class DrillForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=120)
    checks = forms.MultipleChoiceField(
        label=_("What it trains"),
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Its areas follow from the checks."),
    )
    stage = forms.ChoiceField(label=_("Stage"), choices=Drill.Stage.choices)
    place = forms.ChoiceField(label=_("Place"), choices=Drill.Place.choices)
    players_min = forms.IntegerField(label=_("Players, at least"), min_value=1, max_value=4, initial=2)
    players_max = forms.IntegerField(label=_("Players, at most"), min_value=1, max_value=4, initial=4)
    minutes = forms.IntegerField(label=_("Minutes"), min_value=1, max_value=60)
    kit = LinesField(label=_("Kit"), rows=3, required=False, help_text=_("One thing a line."))
    dose = forms.CharField(
        label=_("Dose"), max_length=200, help_text=_("For instance: 4 sets of 10 balls, 60 s rest.")
    )
    passing = forms.CharField(
        label=_("Passed when"), max_length=200, help_text=_("For instance: 7 of 10 twice running.")
    )
    overheads = forms.IntegerField(
        label=_("Overheads"),
        min_value=0,
        max_value=MOST_OVERHEADS,
        initial=0,
        help_text=_("Full overheads one player hits in it; none at home and in a match."),
    )
    loads = forms.MultipleChoiceField(
        label=_("Parts of the body it loads"),
        choices=list(LOADS.items()),
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    cautions = LinesField(
        label=_("Cautions"),
        rows=6,
        help_text=_("One a line, at least one. With overheads: half of them for juniors and after pain."),
    )
    steps = LinesField(label=_("Steps"), rows=9, help_text=_("One a line, 2 to 5 of them."))
    plan_of = forms.ModelChoiceField(
        label=_("Plan of the court: take over that of"),
        queryset=Drill.objects.none(),
        to_field_name="code",
        required=False,
        empty_label=_("none: the lines below"),
        help_text=_("If you choose a drill, its plan takes the place of the lines below."),
    )
    court = CourtField(label=_("Plan of the court, in lines"), required=False)
    source = forms.CharField(label=_("Source"), max_length=200, required=False)

    def __init__(self, *args: Any, club: Club, drill: Drill | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        wordings = wordings_now(club)
        self.known = {row.check_identity.code: row.check_identity for row in wordings}
        choices: list[Any] = check_choices(wordings)
        gone = self._not_listed(drill) if drill else []
        if gone:
            # What the list has no more stays ticked until somebody takes it off.
            self.known |= {check.code: check for check in gone}
            choices.append((gettext("No longer on the list"), [(check.code, check.code) for check in gone]))
        self.fields["checks"].choices = choices  # type: ignore[attr-defined]
        drawn = Drill.objects.filter(club=club).exclude(court={}).order_by("name")
        self.fields["plan_of"].queryset = (  # type: ignore[attr-defined]
            drawn.exclude(pk=drill.pk) if drill else drawn
        )

    def _not_listed(self, drill: Drill) -> list[Check]:
        return [check for check in drill.checks.select_related("area") if check.code not in self.known]

    def clean(self) -> dict[str, Any]:
        values: dict[str, Any] = super().clean() or {}
        source = values.get("plan_of")
        if source is not None:
            values["court"] = source.court
            # Lines that are not used cannot be wrong.
            self.errors.pop("court", None)
        return values

    def drill_values(self) -> dict[str, Any]:
        """What the service takes: the checks as rows, the plan of the chosen drill as one's own."""
        values = {name: value for name, value in self.cleaned_data.items() if name != "plan_of"}
        values["checks"] = [self.known[code] for code in values["checks"]]
        return values


def initial_of(drill: Drill) -> dict[str, Any]:
    fields = {name: getattr(drill, name) for name in DrillForm.base_fields if hasattr(drill, name)}
    return fields | {"checks": [check.code for check in drill.checks.all()]}
