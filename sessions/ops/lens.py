"""What an analysis may hold: its units, its areas, and the checks of its own list version."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from clubcoach.compute.checklist import ANY_TRIGGER, asked_checks
from players.models import Area, Check, CheckWording, Unit
from sessions.models import Analysis
from sessions.ops.reading import Refused


@dataclass(frozen=True)
class Lens:
    """Read once for a batch or a state document; flat in the number of areas, units and checks."""

    analysis: Analysis
    areas: dict[str, Area]
    units: dict[int, Unit]
    wordings: dict[str, CheckWording]
    entries: dict[str, Mapping[str, Any]]

    def area(self, code: Any) -> Area:
        if not isinstance(code, str) or code not in self.areas:
            raise Refused("area", _("This area is outside the lens of this analysis."))
        return self.areas[code]

    def unit(self, pk: Any) -> Unit:
        if isinstance(pk, bool) or not isinstance(pk, int) or pk not in self.units:
            raise Refused("unit", _("The analysis does not cover this player or pair."))
        return self.units[pk]

    def codes(self, area: str, group: str) -> set[str]:
        """Codes of an area's triggers or choices in this version of the list."""
        return {entry["code"] for entry in self.entries.get(area, {}).get(group, ())}

    def of_area(self, area: str) -> list[CheckWording]:
        rows = [row for row in self.wordings.values() if row.check_identity.area.code == area]
        return sorted(
            (row for row in rows if not row.check_identity.retired_on),
            key=lambda row: row.check_identity.phase,
        )

    def fits(self, area: Area, unit: Unit) -> bool:
        """A pair is looked at where the area has checks of pairs, a player where it has checks of players."""
        return any(row.check_identity.unit == unit.kind for row in self.of_area(area.code))

    def asked(self, area: str, end: str, trigger: str, unit_kind: str) -> list[str]:
        """The checks asked by default on such a situation, in the order of the movement."""
        if area not in self.entries:
            return []
        usable = {
            row.check_identity.code for row in self.of_area(area) if row.check_identity.unit == unit_kind
        }
        codes = asked_checks(self.analysis.check_list.data, area, end, trigger or None)
        return [code for code in codes if code in usable]

    def asked_table(self, area: str) -> dict[str, list[str]]:
        """``asked`` for every end, trigger and kind of unit: what a device needs while it is offline."""
        triggers = [ANY_TRIGGER, *sorted(self.codes(area, "triggers"))]
        return {
            f"{end}/{trigger}/{kind}": self.asked(
                area, end, "" if trigger == ANY_TRIGGER else trigger, str(kind)
            )
            for end in ("near", "far")
            for trigger in triggers
            for kind in Unit.Kind.values
        }

    def check(self, code: str, area: Area, end: str, unit: Unit) -> Check:
        """The check that may be marked on such a situation; the end rule is strict, the asked set a default."""
        wording = self.wordings.get(code)
        if wording is None:
            raise Refused("target", _("This check is not in the list version of this analysis."))
        check = wording.check_identity
        if check.area_id != area.pk:
            raise Refused("target", _("This check belongs to another area."))
        if check.retired_on:
            raise Refused("target", _("This check is not in use any more."))
        if wording.end not in ("both", end):
            raise Refused("target", _("This check cannot be judged at that end of the court."))
        if check.unit != unit.kind:
            raise Refused(
                "target",
                _("This check is about a pair.")
                if check.unit == "pair"
                else _("This check is about a player."),
            )
        return check


def lens_of(analysis: Analysis) -> Lens:
    covers = analysis.covers.select_related("unit__first", "unit__second").order_by("pk")
    lens = analysis.lens.select_related("area").order_by("area__position", "pk")
    wordings = (
        CheckWording.objects.filter(version=analysis.check_list_id)
        .select_related("check_identity__area")
        .order_by("check_identity__area__position", "check_identity__phase")
    )
    return Lens(
        analysis=analysis,
        areas={row.area.code: row.area for row in lens},
        units={row.unit_id: row.unit for row in covers},
        wordings={row.check_identity.code: row for row in wordings},
        entries={entry["code"]: entry for entry in analysis.check_list.data.get("areas", ())},
    )
