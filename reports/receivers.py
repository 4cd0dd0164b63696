"""What this app does when something happens in the ones below: it only notes work that is to be done."""

from typing import Any

from django.dispatch import receiver

from clubcoach.jobs import enqueue
from reports import jobs
from reports.exchange import jobs as exchange_jobs
from sessions.models import Analysis, Cover
from sessions.signals import analysis_published, analysis_withdrawn

__all__ = ["exchange_jobs", "jobs"]  # registers the handlers of its jobs


@receiver(analysis_published)
def score_what_was_published(
    sender: Any, analysis: Analysis, old: Analysis | None = None, **kwargs: Any
) -> None:
    if analysis.purpose == Analysis.Purpose.COUNT:
        _ask(analysis, [analysis, *([old] if old else [])])


@receiver(analysis_withdrawn)
def score_without_what_was_withdrawn(sender: Any, analysis: Analysis, **kwargs: Any) -> None:
    _ask(analysis, [analysis])


def _ask(analysis: Analysis, versions: list[Analysis]) -> None:
    # A version that no longer covers somebody changes that unit's score as much as the ones it covers.
    units = Cover.objects.filter(analysis__in=versions).order_by("unit").values_list("unit", flat=True)
    enqueue(
        "score.units",
        club=analysis.match.club,
        by=analysis.published_by,
        key=f"analysis-{analysis.pk}",
        units=list(dict.fromkeys(units)),
        analysis=analysis.pk,
    )
