"""The first steps of a club: read from what is there, the same queries for few and many, none once it is at work."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach.access import Role, viewer_of
from clubcoach.models import Invitation
from players.lists import install_defaults
from players.models import Level
from reports.first_steps import first_steps, open_steps
from sessions.models import Analysis, Film, MatchFilm
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club(db):
    # A day that has begun in the club and not yet in London: dates are those of the club.
    return make.make_club("fresh", time_zone="Pacific/Auckland")


@pytest.fixture
def head(club):
    return make.make_member(club, Role.HEAD_COACH, name="Hana")


def done(club):
    return [step.code for step in first_steps(club) if step.done]


def step(club, code, viewer=None):
    return next(one for one in first_steps(club, viewer) if one.code == code)


def child(club, name="Kim"):
    return make.make_player(club, name, born_on=club.today() - timedelta(days=11 * 365))


class TestWhatIsDone:
    def test_an_empty_club_has_everything_before_it(self, club, head):
        assert [one.code for one in first_steps(club)] == [
            "people",
            "levels",
            "check_list",
            "consents",
            "match",
        ]
        assert done(club) == []
        assert "Nobody is on the roster yet. 1 coach is in." in step(club, "people").found
        assert step(club, "people").url == reverse("player_new", args=["fresh"])

    def test_a_new_club_comes_with_levels_and_list(self, club):
        install_defaults(by=None, club=club)
        assert done(club) == ["levels", "check_list"]
        assert step(club, "check_list").found == "Version 1 is in use."
        Level.objects.create(club=club, position=9, name="Bare")
        assert done(club) == ["check_list"]
        assert step(club, "levels").found == "1 level has no standard in any area."

    def test_people_are_done_once_every_minor_has_a_guardian_or_one_is_asked(self, club):
        make.make_player(club)
        make.make_player(club, active=False, born_on=club.today() - timedelta(days=4000))
        assert "people" in done(club)
        kim = child(club)
        found = step(club, "people")
        assert not found.done
        assert "1 minor has no guardian yet." in found.found
        assert kim.name not in found.button
        assert kim.initials in found.button
        assert found.url == reverse("guardian_add", args=["fresh", kim.uuid])
        Invitation.issue(club=club, email="g@example.org", role="guardian", person=kim.uuid)
        assert "people" in done(club)
        assert "1 invitation is on its way." in step(club, "people").found
        Invitation.objects.update(expires_at=timezone.now() - timedelta(hours=1))
        assert "people" not in done(club)
        make.guard(kim, make.make_member(club, Role.GUARDIAN))
        assert "people" in done(club)

    def test_whoever_is_of_age_on_the_club_s_day_needs_nobody(self, club):
        make.make_player(club, born_on=date(2008, 3, 2))
        noon_in_london = datetime(2026, 3, 1, 12, tzinfo=UTC)  # already the 2nd of March in the club
        assert first_steps(club, now=noon_in_london)[0].done
        assert not first_steps(club, now=noon_in_london - timedelta(hours=12))[0].done

    def test_consents_are_done_with_four_or_with_everybody_of_a_smaller_roster(self, club):
        assert step(club, "consents").found == "Nobody is there to ask yet."
        players = [make.make_player(club) for _n in range(3)]
        for player in players[:2]:
            make.consent(player)
        assert not step(club, "consents").done
        assert step(club, "consents").found == "2 of 3 players may be filmed."
        make.consent(players[2])
        assert step(club, "consents").done
        more = [make.make_player(club) for _n in range(5)]
        assert not step(club, "consents").done
        make.consent(more[0])
        assert step(club, "consents").done
        kim = child(club)
        make.consent(kim)
        assert step(club, "consents").found == "4 of 9 players may be filmed.", "a child alone is not enough"

    def test_the_match_leads_on_from_step_to_step(self, club, head):
        assert step(club, "match").url == reverse("match_new", args=["fresh"])
        install_defaults(by=None, club=club)
        player = make.make_player(club)
        match = make.make_match(club, [player, None, None, None])
        assert step(club, "match").url == reverse("match", args=["fresh", match.uuid])
        film = Film.objects.create(club=club, file="x.webm", name="x", size=1, digest="0" * 64)
        MatchFilm.objects.create(match=match, film=film)
        make.make_match(club, [player, None, None, None], played_on=club.today())
        ready = step(club, "match")
        assert ready.url == reverse("request_analysis", args=["fresh"]) + f"?match={match.uuid}"
        assert not ready.done
        unit = club.units.get(first=player)
        analysis = make.make_analysis(match, analyst=head, units=[unit], state="cancelled")
        assert not step(club, "match").done
        Analysis.objects.filter(pk=analysis.pk).update(state="assigned")
        assert step(club, "match").done

    def test_nothing_of_another_club_counts(self, club, cast, world):
        assert done(club) == []
        assert "Nobody is on the roster yet. 0 coaches are in." in step(club, "people").found


class TestForAHomePage:
    def test_all_five_until_the_last_is_done(self, club, head):
        assert len(open_steps(club)) == 5
        install_defaults(by=None, club=club)
        player = make.make_player(club)
        make.consent(player)
        match = make.make_match(club, [player, None, None, None])
        assert len(open_steps(club)) == 5
        make.make_analysis(match, analyst=head, units=[club.units.get(first=player)])
        assert open_steps(club) == []

    def test_a_club_at_work_is_not_new_again_when_a_consent_runs_out(self, cast, world):
        from players.models import FilmConsent

        FilmConsent.objects.all().delete()
        assert not all(one.done for one in first_steps(cast.club))
        with CaptureQueriesContext(connection) as seen:
            assert open_steps(cast.club) == []
        assert len(seen) == 1

    def test_as_many_queries_for_ten_players_as_for_five_hundred(self, club, head):
        install_defaults(by=None, club=club)

        def fill(n):
            for _n in range(n):
                kim = child(club)
                make.consent(kim)
                Invitation.issue(club=club, email="g@example.org", role="guardian", person=kim.uuid)

        def count():
            with CaptureQueriesContext(connection) as seen:
                first_steps(club)
            return len(seen)

        fill(10)
        few = count()
        fill(490)
        assert club.players.count() == 500
        assert count() == few


class TestPage:
    def test_head_coach_and_manager_open_it_and_others_do_not(self, cast, world):
        path = reverse("start", args=["seaside"])
        for who, status in (
            ("head_coach", 200),
            ("manager", 200),
            ("assistant", 403),
            ("student", 403),
            ("guardian", 403),
            ("stranger", 404),
        ):
            assert cast.client(getattr(cast, who)).get(path).status_code == status

    def test_each_step_says_why_and_how_far_it_is(self, club, head, cast):
        page = cast.client(head).get(reverse("start", args=["fresh"])).content.decode()
        assert "0 of 5 steps are done" in page
        assert page.count("to do</span>") == 5
        assert page.count("button primary") == 1
        install_defaults(by=None, club=club)
        page = cast.client(head).get(reverse("start", args=["fresh"])).content.decode()
        assert "2 of 5 steps are done" in page
        assert page.count("done</span>") == 2

    def test_a_manager_gets_the_buttons_that_are_hers_and_is_told_whose_the_others_are(self, club):
        manager = viewer_of(make.make_member(club, Role.MANAGER), club)
        by_code = {one.code: one for one in first_steps(club, manager)}
        assert by_code["people"].url
        assert by_code["match"].url == by_code["match"].button == ""
        assert by_code["match"].who == "The head coach does this."
        assert by_code["check_list"].url == ""
