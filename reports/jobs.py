"""Background work of this app: what a publication or a withdrawal leads to, and the club's full fit."""

from clubcoach.jobs import Work, handles
from clubcoach.models import Club
from reports import focus, scoring
from sessions.models import Analysis


@handles("score.units")
def score_units(work: Work) -> None:
    """Score the units of a version again, and propose focus points from what is current now."""
    club = work.job.club
    assert club is not None
    analysis = Analysis.objects.filter(pk=work.args["analysis"], match__club=club).first()
    work.tell(10)
    with work.finish():
        scoring.rescore_units(club=club, units=work.args["units"])
        if analysis is not None:
            focus.propose(analysis=analysis)


@handles("score.club")
def score_club(work: Work) -> None:
    club = Club.objects.get(pk=work.job.club_id)
    work.tell(10)
    with work.finish():
        scoring.full_fit(club=club)
