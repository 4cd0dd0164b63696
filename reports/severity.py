"""How strict each analyst is, as the last fit found it: so that scores can allow for it, and no table of people."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Sum
from django.utils.translation import gettext as _

from clubcoach.access import Can, Viewer
from clubcoach.compute.progression import Shared
from reports.scoring import last_fit, scored_tallies
from sessions.models import Analyst

# Logits: 0.1 is about two points in the middle of the scale, 0.5 about twelve.
ALIKE, MUCH = 0.1, 0.5
# Within so many standard deviations nothing is said of a difference: about four of five.
SURE = 1.28


@dataclass(frozen=True)
class SeverityRow:
    """Logits above the average analyst; None until a fit has read what the analyst saw."""

    analyst: str
    severity: float | None
    sd: float | None
    words: str
    n: int


def severities(viewer: Viewer) -> list[SeverityRow]:
    """By name, never by strictness; an assistant reads the own row only. Three queries."""
    people = Analyst.objects.filter(club=viewer.club, kind=Analyst.Kind.PERSON)
    if not viewer.can(Can.REVIEW):
        people = people.filter(user=viewer.user)
    counts = dict(
        scored_tallies(viewer.club).order_by().values_list("analyst").annotate(n=Sum("seen")).order_by()
    )
    fit = last_fit(viewer.club)
    shared = Shared.from_dict(fit.shared) if fit and fit.shared else None
    return [
        _row(person, shared, counts[person.pk])
        for person in people.order_by("name", "pk")
        if person.pk in counts
    ]


def _row(person: Analyst, shared: Shared | None, n: int) -> SeverityRow:
    if shared is None or person.pk not in shared.analysts:
        return SeverityRow(person.name, None, None, _("not known yet: the next full fit finds it"), n)
    severity, sd = shared.severity(person.pk)
    return SeverityRow(person.name, round(severity, 3), round(sd, 3), severity_words(severity, sd), n)


def severity_words(severity: float, sd: float) -> str:
    if abs(severity) < max(ALIKE, SURE * sd):
        return _("about as strict as the others, as far as can be told")
    if severity > 0:
        if severity > MUCH:
            return _("stricter than the others; the scores allow for it")
        return _("a little stricter than the others; the scores allow for it")
    if severity < -MUCH:
        return _("kinder than the others; the scores allow for it")
    return _("a little kinder than the others; the scores allow for it")
