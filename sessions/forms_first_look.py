"""What is typed on the first look: up to three lines, each a sentence, what it is about, and what is expected."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from players.models import Area, Check
from sessions.models import Analysis, Hunch
from sessions.ops.lens import lens_of
from sessions.services.hunches import TEXT_MOST, HunchEntry, askable

POSITIONS = tuple(range(1, Hunch.MOST + 1))


class FirstLookForm(forms.Form):
    """A line that is left empty is no hunch."""

    use_required_attribute = False

    def __init__(self, data: Any = None, *, analysis: Analysis) -> None:
        super().__init__(data)
        self.about: dict[str, tuple[Area, Check | None]] = {}
        choices = [("", _("choose")), *self._choices(analysis)]
        there = {hunch.position: hunch for hunch in analysis.hunches.select_related("area", "check_identity")}
        for n in POSITIONS:
            hunch = there.get(n)
            self.fields[f"text_{n}"] = forms.CharField(
                label=_("What do you expect?"),
                required=False,
                max_length=TEXT_MOST,
                initial=hunch.text if hunch else "",
            )
            self.fields[f"about_{n}"] = forms.ChoiceField(
                label=_("What is it about?"),
                choices=choices,
                required=False,
                initial=_value(hunch.area, hunch.check_identity) if hunch else "",
            )
            self.fields[f"says_{n}"] = forms.ChoiceField(
                label=_("You expect it to be"),
                choices=Hunch.Says.choices,
                required=False,
                initial=hunch.says if hunch else Hunch.Says.OFTEN_MISSED,
            )

    def _choices(self, analysis: Analysis) -> list[Any]:
        lens = lens_of(analysis)
        groups = []
        for area in lens.areas.values():
            checks = askable(lens, area)
            if not checks:
                continue
            rows = [(_value(area), _("%(area)s as a whole") % {"area": area.name})]
            self.about[_value(area)] = (area, None)
            for check, name in checks.items():
                self.about[_value(area, check)] = (area, check)
                rows.append((_value(area, check), f"{check.code} {name}"))
            groups.append((area.name, rows))
        return groups

    def lines(self) -> list[list[Any]]:
        # A line is left out as a whole: only its first field says that it may be.
        for n in POSITIONS:
            self.fields[f"about_{n}"].required = self.fields[f"says_{n}"].required = True
        return [[self[f"{name}_{n}"] for name in ("text", "about", "says")] for n in POSITIONS]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for n in POSITIONS:
            text, about = data.get(f"text_{n}"), data.get(f"about_{n}")
            if text and not about and f"about_{n}" not in self.errors:
                self.add_error(f"about_{n}", _("Choose the area or check that answers it."))
            if about and not text and f"text_{n}" not in self.errors:
                self.add_error(f"text_{n}", _("Say in words what you expect."))
        return data

    def hunches(self) -> list[HunchEntry]:
        data = self.cleaned_data
        return [
            HunchEntry(
                data[f"text_{n}"],
                *self.about[data[f"about_{n}"]],
                says=data[f"says_{n}"] or "missed",
            )
            for n in POSITIONS
            if data[f"text_{n}"]
        ]


def _value(area: Area, check: Check | None = None) -> str:
    return f"{area.code}/{check.code}" if check else area.code
