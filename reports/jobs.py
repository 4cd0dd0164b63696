"""Scoring in the background: a few units when something was published, the whole club when it is due."""

from datetime import timedelta

from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.jobs import CannotWork, Work, enqueue, handles
from clubcoach.models import Club, Job
from reports.focus import propose
from reports.mornings import clubs_to_fit
from reports.scoring import full_fit_due, prepare_full_fit, rescore_units, switch_over
from sessions.models import Analysis

KEPT = timedelta(days=2)


@handles("score.units")
def score_units(work: Work) -> None:
    """Score the units of a version again, and propose focus points from what is current now."""
    club = _club_of(work)
    with work.finish():
        rescore_units(club=club, units=work.args["units"])
        analysis = Analysis.objects.filter(pk=work.args["analysis"], match__club=club).first()
        if analysis is not None:
            propose(analysis=analysis, now=analysis.published_at)
        if full_fit_due(club):
            ask_for_fit(club)


@handles("score.mornings", every=timedelta(minutes=40))
def score_mornings(work: Work) -> None:
    """Have every club fitted anew on its own morning; often enough to come upon each morning more than once."""
    now = timezone.now()
    with work.finish():
        for club in clubs_to_fit(now):
            ask_for_fit(club)
        # A row each time would be ten thousand a year.
        Job.objects.filter(kind=work.job.kind, state=Job.State.DONE, created_at__lt=now - KEPT).delete()


def ask_for_fit(club: Club) -> Job:
    return enqueue("score.club", club=club, key=f"club-{club.pk}")


@handles("score.club")
def score_club(work: Work) -> None:
    """Fit the club while everything else goes on, and put the result in place at once."""
    club = _club_of(work)
    prepared = prepare_full_fit(club=club, tell=work.tell)
    work.tell(90, _("Writing the scores"))
    with work.finish():
        if prepared is not None:
            switch_over(prepared)


def _club_of(work: Work) -> Club:
    if work.job.club is None:
        raise CannotWork(_("This job belongs to no club."))
    return work.job.club
