"""What the apps below tell. A receiver only inserts a job: its error would undo the step that sent the signal."""

from typing import Any

from django.dispatch import receiver

from clubcoach.jobs import enqueue
from reports import jobs  # noqa: F401  (its handlers register on import)
from sessions.models import Analysis
from sessions.signals import analysis_published, analysis_withdrawn


@receiver(analysis_published, dispatch_uid="reports.score_published")
def score_published(*, analysis: Analysis, old: Analysis | None, **_signal: Any) -> None:
    if analysis.purpose == Analysis.Purpose.COUNT:
        _score(analysis, *([old] if old else []))


@receiver(analysis_withdrawn, dispatch_uid="reports.score_withdrawn")
def score_withdrawn(*, analysis: Analysis, **_signal: Any) -> None:
    _score(analysis)


def _score(*versions: Analysis) -> None:
    units = sorted({unit for version in versions for unit in version.units.values_list("pk", flat=True)})
    enqueue(
        "score.units",
        club=versions[0].match.club,
        key=f"{versions[0].uuid}",
        units=units,
        analysis=versions[0].pk,
    )
