"""The demo club, in small: made by the services that people use, kept when asked for twice, gone when asked to."""

from datetime import UTC, date, datetime
from functools import partial
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from clubcoach.compute.checklist import asked_checks
from clubcoach.compute.ledger import Keeper, RallyEntry
from clubcoach.models import AuditEvent, Club, Job, User
from reports.demo import club as demo
from reports.demo import film, people
from reports.demo.people import SLUG
from reports.management.commands import fill_demo
from reports.models import FocusPoint, Homework, Score, SharedFit
from sessions import services
from sessions.hunches import answers_of
from sessions.models import Analysis, Lesson, Mark, Match, Situation, Tally

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def filled(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    said = []
    club = demo.fill(said.append, weeks=1, with_film=False)
    return club, said


def test_a_small_demo_club_is_whole(filled):
    club, said = filled
    assert len(said) == 2
    assert Analysis.objects.filter(match__club=club, state="published").count() == 3
    assert {job.state for job in Job.objects.all()} == {"done"}
    assert SharedFit.objects.filter(club=club).exists()
    scored = set(Score.objects.filter(club=club, series="now").values_list("unit", flat=True))
    assert scored == set(Tally.objects.values_list("unit", flat=True))
    assert FocusPoint.objects.filter(unit__club=club, by_rule=True).exists()
    assert Homework.objects.filter(drill__place="in_your_match").exists()
    roles = set()
    for role, email, password in demo.demo_logins():
        client = Client()
        assert client.login(email=email, password=password)
        assert client.get(f"/c/{SLUG}/", follow=True).status_code == 200
        roles.add(role)
    assert roles >= {"head coach", "assistant coach", "student", "guardian", "club manager"}
    kept = call("fill_demo")
    assert "here already" in kept
    assert Analysis.objects.filter(match__club=club).count() == 3
    # Scoring the whole club again is a command, and gives the same scores for the same tallies.
    before = list(Score.objects.filter(series="then").order_by("pk").values_list("pk", "score"))
    assert "is scored" in call("rescore", club=SLUG)
    assert list(Score.objects.filter(series="then").order_by("pk").values_list("pk", "score")) == before
    fill_demo.remove()
    assert not Club.objects.filter(slug=SLUG).exists()
    assert not User.objects.exists()


@pytest.mark.long
def test_one_filmed_match_is_published_and_a_second_waits(settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path
    small = partial(film.render_scene, width=320, height=180, fps=10, end_s=20)
    monkeypatch.setattr(film, "render_scene", small)
    said = []
    club = demo.fill(said.append, weeks=1)
    assert said[-1].startswith("the filmed match is published; a second one waits for its analyst, a third")
    filmed = Match.objects.filter(club=club, match_films__film__state="ready").order_by("played_on")
    half, published, waits = filmed
    assert {row.state for row in published.analyses.all()} == {"published"}
    assert {row.state for row in waits.analyses.all()} == {"assigned", "requested"}
    assert not waits.rallies.exists()
    (coded,) = half.analyses.all()
    assert (coded.state, coded.plan, coded.hunches.count()) == ("in_progress", "drawn", 3)
    assert half.draws.count() == 2
    drawn = coded.situations.filter(drawn=True)
    assert drawn.count() == 18
    assert drawn.filter(marks__isnull=False).distinct().count() == 6
    assert half.match_films.get().film.court_views.exists()
    assert {answer.verdict for answer in answers_of(coded, mine=True)} == {"open"}
    # The ledger has nothing to say against what the film shows, and nothing is marked that the list does not ask.
    keeper = Keeper(published.match_format, first_server=published.first_server)
    for row in published.rallies.order_by("number"):
        entry = RallyEntry(row.number, row.winner, row.server, row.near_pair, row.side or None)
        assert keeper.add(entry).contradictions == ()
    for mark in Mark.objects.filter(situation__analysis__match=published).select_related("situation__area"):
        situation = mark.situation
        asked = asked_checks(
            situation.analysis.check_list.data, situation.area.code, situation.end, situation.trigger or None
        )
        assert mark.check_identity.code in asked
    assert Analysis.objects.filter(match__club=club, analyst=None).count() == 1
    # The court is placed in the first film; the second one stands at the same place and takes it over.
    view = published.match_films.get().film.court_views.get()
    assert len(view.landmarks) >= 8
    assert view.rms_m < 0.1
    later = waits.match_films.get().film
    assert not later.court_views.exists()
    assert services.copy_court(by=waits.registered_by, film=later).copied_from == view
    kept = [path.relative_to(tmp_path).parts[0] for path in tmp_path.rglob("*") if path.is_file()]
    assert len(kept) > 5
    assert {"films", "stills", "strips"} <= set(kept)
    assert kept.count("films") == 1, "the matches have the same film"
    fill_demo.remove()
    left = [path.relative_to(tmp_path).parts[0] for path in tmp_path.rglob("*") if path.is_file()]
    assert set(left) <= {"demo"}


def test_rallies_follow_the_rules_and_a_ball_that_is_not_kept_in_ends_them(filled):
    club, _said = filled
    for match in Match.objects.filter(club=club):
        keeper = Keeper(match.match_format, first_server=match.first_server)
        for row in match.rallies.order_by("number"):
            entry = RallyEntry(row.number, row.winner, row.server, row.near_pair, row.side or None)
            assert keeper.add(entry).contradictions == ()
    lost = Situation.objects.filter(analysis__match__club=club, outcome="point_lost").select_related("rally")
    assert lost.count() > 10
    for situation in lost:
        assert situation.hit_s == max(situation.rally.situations.values_list("hit_s", flat=True))
        seats = dict(situation.rally.match.seats.values_list("player", "position"))
        mine = "A" if seats[situation.unit.first_id] <= 2 else "B"
        assert situation.rally.winner != mine


@pytest.mark.long
@pytest.mark.parametrize("hour", [0, 23])
def test_west_of_utc_the_term_lies_right(settings, tmp_path, monkeypatch, hour):
    """On a Monday just after midnight in UTC it is still Sunday in the west."""
    settings.MEDIA_ROOT = tmp_path
    monkeypatch.setattr(people, "ZONE", "America/Lima")
    now = datetime(2026, 3, 2, hour, 30, tzinfo=UTC)
    club = demo.fill(lambda text: None, weeks=1, with_film=False, now=now)
    last = Match.objects.filter(club=club).order_by("-played_on")[0]
    assert last.played_on == (date(2026, 2, 21) if hour == 0 else date(2026, 2, 28))
    assert not Analysis.objects.filter(published_at__gt=now).exists()
    for lesson in Lesson.objects.filter(club=club):
        assert (lesson.state == "planned") >= (lesson.starts_at > now)
        assert lesson.starts_at.astimezone(club.zone).hour >= 10


@pytest.mark.long
def test_a_filling_that_was_stopped_is_made_anew(settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path
    real = demo.fill

    def stopped(say, **kwargs):
        monkeypatch.setattr(demo, "_play_term", lambda *args: (_ for _ in ()).throw(KeyboardInterrupt))
        return real(say, weeks=1, with_film=False)

    term = demo._play_term
    monkeypatch.setattr(demo, "fill", stopped)
    with pytest.raises(KeyboardInterrupt):
        call("fill_demo")
    assert demo.is_half_made()
    monkeypatch.setattr(demo, "_play_term", term)
    monkeypatch.setattr(demo, "fill", partial(real, weeks=1, with_film=False))
    assert "half made" in call("fill_demo")
    assert not demo.is_half_made()
    assert Analysis.objects.filter(match__club__slug=SLUG).count() == 3
    # One of an earlier version, which said neither, stays as it is.
    AuditEvent.objects.filter(action__startswith="demo.").delete()
    assert "here already" in call("fill_demo")


def test_rescoring_a_club_that_is_not_there():
    with pytest.raises(CommandError, match="no club"):
        call("rescore", club="nowhere")


def call(name, **options):
    out = StringIO()
    call_command(name, stdout=out, **options)
    return out.getvalue()
