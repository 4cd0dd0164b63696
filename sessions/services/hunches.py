"""The first look: what the analyst thinks she will find, written down before the first mark."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import viewer_of
from clubcoach.models import User
from players.models import Area, Check
from sessions.models import Analysis, Hunch, Mark, Op
from sessions.ops.lens import Lens, lens_of
from sessions.services.rules import Standing, hold, in_time, lock

TEXT_MOST = 200


@dataclass(frozen=True)
class HunchEntry:
    """One hunch as it is written; without a check it is about the area as a whole."""

    text: str
    area: Area
    check: Check | None = None
    says: str = "missed"


def marking_begun(analysis: Analysis) -> bool:
    """Whether a mark was ever set: one that was cleared again has told something too."""
    if Mark.objects.filter(situation__analysis=analysis).exists():
        return True
    return Op.objects.filter(analysis=analysis, kind="mark.set", result__status="applied").exists()


@transaction.atomic
def write_hunches(
    *, by: User, analysis: Analysis, hunches: Iterable[HunchEntry], now: datetime | None = None
) -> list[Hunch]:
    """Write up to three hunches in the place of those that stand there; none takes them away."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).first_look())
    if marking_begun(analysis):
        raise ValidationError(
            _("Marks are set already: a hunch is written before the first one. Those that stand here stay.")
        )
    entries = list(hunches)
    if len(entries) > Hunch.MOST:
        raise ValidationError(
            _("%(n)d hunches are too many: %(most)d are the most.") % {"n": len(entries), "most": Hunch.MOST}
        )
    lens = lens_of(analysis)
    moment = in_time(now)
    rows = [
        Hunch(
            analysis=analysis,
            position=position,
            text=_text(position, entry.text),
            area=_area(lens, position, entry),
            check_identity=entry.check,
            says=_says(position, entry.says),
            by=by,
            at=moment,
        )
        for position, entry in enumerate(entries, 1)
    ]
    Hunch.objects.filter(analysis=analysis).delete()
    Hunch.objects.bulk_create(rows)
    audit.record(by=by, club=club, action="analysis.hunches_written", target=analysis, fields=["hunches"])
    return rows


def _text(position: int, text: str) -> str:
    said = " ".join(text.split())
    if not said:
        raise ValidationError({f"text_{position}": _("Say in words what you expect.")})
    if len(said) > TEXT_MOST:
        raise ValidationError(
            {
                f"text_{position}": _("This has %(n)d characters; %(most)d are the most.")
                % {"n": len(said), "most": TEXT_MOST}
            }
        )
    return said


def _area(lens: Lens, position: int, entry: HunchEntry) -> Area:
    field = f"about_{position}"
    if lens.areas.get(entry.area.code) != entry.area:
        raise ValidationError({field: _("This area is outside the lens of this analysis.")})
    if not askable(lens, entry.area):
        raise ValidationError({field: _("Nothing in this area is asked of anybody in this analysis.")})
    if entry.check is not None:
        if entry.check.area_id != entry.area.pk:
            raise ValidationError({field: _("This check belongs to another area.")})
        if entry.check.retired_on:
            raise ValidationError({field: _("This check is not in use any more.")})
        if entry.check not in askable(lens, entry.area):
            raise ValidationError({field: _("This check is asked of nobody in this analysis.")})
    return entry.area


def askable(lens: Lens, area: Area) -> dict[Check, str]:
    """The checks of an area that this analysis can answer, with their names."""
    kinds = {unit.kind for unit in lens.units.values()}
    return {
        row.check_identity: row.name for row in lens.of_area(area.code) if row.check_identity.unit in kinds
    }


def _says(position: int, says: str) -> str:
    if says not in Hunch.Says.values:
        raise ValidationError({f"says_{position}": _("Say whether it is often missed or mostly met.")})
    return says
