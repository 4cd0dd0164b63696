"""Where players stood by the places that were clicked in an analysis: counted in zones of one half of the court."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.db.models import F
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _lazy

from clubcoach.compute.camera import HALF_WIDTH, SERVICE_LINE
from clubcoach.compute.court_decide import Rule
from clubcoach.formatting import measure
from sessions import court_spots
from sessions.models import Analysis, Situation, Spot
from sessions.ops.lens import Lens

# Metres from the net at which a depth band ends, and from the central line at which the middle third does.
BANDS = (3.0, SERVICE_LINE)
THIRD = HALF_WIDTH / 3
COLUMNS: tuple[str | Promise, ...] = (_lazy("left"), _lazy("middle"), _lazy("right"))
# Where one foot was clicked twice only where it ended is a place.
TWICE = ("step", "forward", "towards")

Zone = tuple[int, int]
Choice = tuple[str, str]


@dataclass
class Counts:
    """Places by zone: of situations that count, and of those that are only shown."""

    counted: Counter[Zone] = field(default_factory=Counter)
    shown: Counter[Zone] = field(default_factory=Counter)
    undrawn: int = 0

    @property
    def n(self) -> int:
        return self.counted.total()

    @property
    def n_shown(self) -> int:
        return self.shown.total()


def band_names() -> list[str]:
    facts = {"net": measure(BANDS[0], "m"), "line": measure(BANDS[1], "m")}
    return [
        _("up to %(net)s from the net") % facts,
        _("from %(net)s to the service line (%(line)s)") % facts,
        _("behind the service line"),
    ]


def zone_of(x: float, y: float) -> Zone:
    """Band and column as the player sees them who faces the net; either end is folded onto one half."""
    depth, across = abs(y), x if y < 0 else -x
    band = sum(depth > end for end in BANDS)
    return band, 0 if across < -THIRD else 2 if across > THIRD else 1


def checks_of(lens: Lens) -> dict[str, Rule]:
    """The checks of the lens that places decide, by code."""
    asked = [row for code in lens.areas for row in lens.of_area(code)]
    return {code: rule for code, rule in court_spots.rules_of(asked).items() if rule.spots}


def choices(lens: Lens) -> list[Choice]:
    """Everything, an area, or a check: what the plan can show, with its words."""
    rules = checks_of(lens)
    rows: list[Choice] = [("", _("every check about the own place"))]
    for code, area in lens.areas.items():
        here = [row for row in lens.of_area(code) if row.check_identity.code in rules]
        if any(not rules[row.check_identity.code].theirs for row in here):
            rows.append((code, area.name))
        rows += [(row.check_identity.code, f"{row.check_identity.code} {row.name}") for row in here]
    return rows


def rules_chosen(lens: Lens, chosen: str) -> dict[str, Rule]:
    """A check alone; of an area and of everything only what is about the own place, not the opponents'."""
    rules = checks_of(lens)
    if chosen in rules:
        return {chosen: rules[chosen]}
    codes = [chosen] if chosen in lens.areas else list(lens.areas)
    asked = [row.check_identity.code for code in codes for row in lens.of_area(code)]
    return {code: rules[code] for code in asked if code in rules and not rules[code].theirs}


def count(analysis: Analysis, rules: dict[str, Rule], unit: int | None = None) -> Counts:
    """One query, however many places there are."""
    found = Counts()
    for row in _rows(analysis, rules, unit):
        rule = rules[row["check"]]
        if rule.kind in TWICE and row["number"] == 1:
            continue
        zone = zone_of(row["x_m"], row["y_m"])
        if row["situation__shown_only"] or analysis.plan == Analysis.Plan.CHOSEN:
            found.shown[zone] += 1
        elif analysis.plan == Analysis.Plan.DRAWN and not row["situation__drawn"]:
            found.undrawn += 1
        else:
            found.counted[zone] += 1
    return found


def _rows(analysis: Analysis, rules: Iterable[str], unit: int | None) -> Iterator[dict[str, Any]]:
    kept = Situation.objects.kept_in(analysis).filter(rally__dropped=False, not_codable="")
    rows = Spot.objects.filter(situation__in=kept, check_identity__code__in=list(rules))
    if unit is not None:
        rows = rows.filter(situation__unit=unit)
    yield from rows.order_by("pk").values(
        "number", "x_m", "y_m", "situation__shown_only", "situation__drawn", check=F("check_identity__code")
    )


def table(counts: Counts) -> list[dict[str, Any]]:
    """For the page: a row for each band from the net back, with its three numbers of either kind."""
    return [
        {
            "name": name,
            "counted": [counts.counted[band, column] for column in range(3)],
            "shown": [counts.shown[band, column] for column in range(3)],
        }
        for band, name in enumerate(band_names())
    ]
