"""How long films stay: by consent first, then by who holds them, by open analyses, by the club's rule."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import AuditEvent
from players.models import FilmConsent
from players.services import edit_club, give_consent, withdraw_consent
from sessions import film_jobs, film_store, film_terms, services, stills
from sessions.film_terms import months_after, until
from sessions.models import Analysis, Clip, CourtView, Film, MatchFilm
from tests import factories as make
from tests.sessions import moving, stored
from tests.sessions.stored import files

pytestmark = pytest.mark.django_db
UPLOADED = datetime(2026, 3, 10, 12, tzinfo=UTC)
NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def kept(chain):
    """A film of Ana, Dan and two visitors who all agreed; nobody looks at the match."""
    moving.agree(chain.match)
    chain.film = stored.stored(chain.match, uploaded_at=UPLOADED)
    Analysis.objects.update(state="cancelled")
    return chain


@pytest.fixture
def commits(django_capture_on_commit_callbacks):
    return lambda: django_capture_on_commit_callbacks(execute=True)


def term(chain, now=NOW):
    return until(Film.objects.select_related("club").get(pk=chain.film.pk), now)


def tidy(commits, now):
    with commits():
        return film_jobs.end_terms(now)


class TestRule:
    def test_months_after_the_upload_where_nothing_was_published(self, kept):
        found = term(kept)
        assert (found.day, found.why) == (date(2027, 3, 10), "uploaded")
        assert found.words == (
            "Until 10 Mar 2027: 12 months after it was uploaded; no analysis of its matches was published since."
        )

    def test_months_after_the_last_publication_of_any_of_its_matches(self, kept):
        other = make.make_match(kept.cast.club, [kept.cast.ana, None, None, None])
        MatchFilm.objects.create(match=other, film=kept.film)
        for match, day in ((kept.match, 1), (other, 9)):
            make.make_analysis(
                match,
                analyst=kept.cast.assistant,
                units=[],
                state="published",
                published_at=datetime(2026, 6, day, 10, tzinfo=UTC),
            )
        found = term(kept)
        assert (found.day, found.why) == (date(2027, 6, 9), "published")

    def test_one_that_came_after_the_publication_counts_from_the_upload(self, kept):
        Analysis.objects.update(state="published", published_at=UPLOADED - 100 * DAY)
        found = term(kept)
        assert (found.day, found.why) == (date(2027, 3, 10), "uploaded")

    def test_the_club_decides_how_many(self, kept):
        edit_club(by=kept.cast.manager, club=kept.cast.club, film_months=3)
        assert term(kept).day == date(2026, 6, 10)
        with pytest.raises(ValidationError):
            edit_club(by=kept.cast.manager, club=kept.cast.club, film_months=0)

    @pytest.mark.parametrize(
        ("moment", "months", "day"),
        [
            (datetime(2026, 1, 31, 12, tzinfo=UTC), 1, date(2026, 2, 28)),
            (datetime(2023, 12, 31, 12, tzinfo=UTC), 2, date(2024, 2, 29)),
            (datetime(2026, 5, 15, 12, tzinfo=UTC), 60, date(2031, 5, 15)),
            # Half past midnight of the next day where the club is.
            (datetime(2026, 5, 31, 22, 30, tzinfo=UTC), 1, date(2026, 7, 1)),
        ],
    )
    def test_months(self, cast, moment, months, day):
        assert cast.club.day_of(months_after(moment, months, cast.club)) == day

    @pytest.mark.parametrize("state", ["requested", "assigned", "in_progress", "submitted", "returned"])
    def test_an_open_analysis_keeps_it(self, kept, commits, state):
        Analysis.objects.update(state=state)
        found = term(kept, NOW + 900 * DAY)
        assert (found.at, found.why) == (None, "open")
        assert tidy(commits, NOW + 900 * DAY) == 0

    def test_who_holds_it_keeps_it_and_says_why(self, kept, commits):
        services.hold_film(by=kept.cast.manager, film=kept.film, why="  for the  coaches' evening ")
        found = term(kept)
        assert (found.at, found.why) == (None, "held")
        assert found.words == "Kept until somebody lets it go: for the coaches' evening"
        assert tidy(commits, NOW + 900 * DAY) == 0
        services.let_go(by=kept.cast.head_coach, film=kept.film)
        assert term(kept).why == "uploaded"

    @pytest.mark.parametrize("why", ["", "   ", "x" * 201])
    def test_not_without_a_reason(self, kept, why):
        with pytest.raises(ValidationError) as caught:
            services.hold_film(by=kept.cast.manager, film=kept.film, why=why)
        assert "why" in caught.value.message_dict

    def test_an_assistant_keeps_and_deletes_none(self, kept):
        for call in (
            lambda: services.hold_film(by=kept.cast.assistant, film=kept.film, why="I want to"),
            lambda: services.let_go(by=kept.cast.assistant, film=kept.film),
            lambda: services.remove_film(by=kept.cast.assistant, film=kept.film),
        ):
            with pytest.raises(PermissionDenied):
                call()

    def test_what_is_not_here_has_no_day(self, kept):
        Film.objects.update(state="refused", file="")
        assert (term(kept).at, term(kept).why) == (None, "nothing")


class TestGoing:
    def fill(self, kept):
        film = kept.film
        for path in (film_store.strip_path(film, 0.5), stills.path_at(film, 3.0)):
            path.parent.mkdir(parents=True)
            path.write_bytes(b"a picture")
        Clip.objects.create(film=film, digest="c" * 64, from_s=0, to_s=6, state="waiting")
        CourtView.objects.create(film=film, width=160, height=96, rms_px=1, rms_m=0.1)

    def test_on_its_day_with_what_was_made_of_it(self, kept, commits):
        self.fill(kept)
        end = datetime(2027, 3, 10, 12, tzinfo=UTC)
        assert tidy(commits, end - timedelta(seconds=1)) == 0
        assert len(files()) == 3
        assert tidy(commits, end) == 1
        film = Film.objects.get()
        assert (film.state, film.gone_at, film.gone_why) == ("gone", end, "rule")
        assert (film.name, film.file.name, film.original.name) == ("", "", "")
        assert film.duration_s == 60
        assert files() == []
        assert Clip.objects.count() == 0
        assert CourtView.objects.count() == 1
        assert MatchFilm.objects.count() == 1
        event = AuditEvent.objects.get(action="film.gone")
        assert (event.actor, event.fields) == (None, ["rule"])
        assert tidy(commits, end + DAY) == 0

    def test_a_file_that_another_film_shares_stays_until_that_goes(self, kept, commits):
        other = make.make_match(kept.cast.club, [kept.cast.ana, None, None, None])
        second = stored.stored(other, uploaded_at=NOW)
        self.fill(kept)
        assert tidy(commits, datetime(2027, 3, 10, 12, tzinfo=UTC)) == 1
        assert second.file.name in files()
        assert any(name.startswith("strips/") for name in files())
        assert tidy(commits, datetime(2027, 11, 20, 12, tzinfo=UTC)) == 1
        assert files() == []

    def test_deleted_by_hand_not_while_an_analysis_is_open_unless_said_again(self, kept, commits):
        Analysis.objects.update(state="assigned")
        with pytest.raises(ValidationError, match="1 analysis of its matches is still open"):
            services.remove_film(by=kept.cast.manager, film=kept.film)
        assert files()
        with commits():
            services.remove_film(by=kept.cast.manager, film=kept.film, although_open=True, now=NOW)
        film = Film.objects.get()
        assert (film.state, film.gone_why, files()) == ("gone", "hand", [])
        with pytest.raises(ValidationError, match="deleted"):
            services.remove_film(by=kept.cast.manager, film=film, although_open=True)

    def test_bytes_that_were_refused_go_after_a_week(self, kept, commits):
        Film.objects.update(state="refused", uploaded_at=NOW - 30 * DAY)
        assert term(kept, NOW).over(NOW)
        film_terms.audit.record(by=None, club=kept.cast.club, action="film.refused", target=kept.film)
        AuditEvent.objects.update(at=NOW - 2 * DAY)
        found = term(kept, NOW)
        assert (found.at, found.why) == (NOW + 5 * DAY, "refused")
        assert tidy(commits, NOW + 5 * DAY) == 1


class TestConsent:
    def test_a_week_after_it_was_withdrawn(self, kept, commits):
        kept.cast.ana.user = kept.cast.student
        kept.cast.ana.save()
        with commits():
            withdraw_consent(by=kept.cast.student, player=kept.cast.ana, now=NOW)
        assert not stills.may_be_shown(kept.film, NOW)
        found = term(kept, NOW)
        assert (found.at, found.why) == (NOW + 7 * DAY, "consent")
        assert found.words.startswith("Until 27 Nov 2026: somebody in it has not agreed")
        CourtView.objects.create(film=kept.film, width=160, height=96, rms_px=1, rms_m=0.1)
        assert tidy(commits, NOW + 7 * DAY - timedelta(seconds=1)) == 0
        assert tidy(commits, NOW + 7 * DAY) == 1
        film = Film.objects.get()
        assert (film.gone_why, files()) == ("consent", [])
        assert CourtView.objects.count() == 0

    def test_given_again_in_time_it_stays_and_the_next_time_counts_anew(self, kept, commits):
        student, ana = kept.cast.student, kept.cast.ana
        withdraw_consent(by=student, player=ana, now=NOW)
        assert tidy(commits, NOW + DAY) == 0
        give_consent(by=student, player=ana, as_="player", purpose="lessons", now=NOW + 3 * DAY)
        assert term(kept, NOW + 3 * DAY).why == "uploaded"
        assert tidy(commits, NOW + 8 * DAY) == 0
        withdraw_consent(by=student, player=ana, now=NOW + 9 * DAY)
        assert tidy(commits, NOW + 15 * DAY) == 0
        assert tidy(commits, NOW + 16 * DAY) == 1

    def test_also_what_somebody_holds_and_what_is_looked_at(self, kept, commits):
        services.hold_film(by=kept.cast.manager, film=kept.film, why="a reason")
        Analysis.objects.update(state="assigned")
        withdraw_consent(by=kept.cast.student, player=kept.cast.ana, now=NOW)
        assert tidy(commits, NOW + 7 * DAY) == 1

    def test_one_that_runs_out_counts_from_the_day_after_its_last(self, kept, commits):
        FilmConsent.objects.filter(player=kept.cast.dan).update(expires_on=date(2026, 11, 20))
        assert term(kept, NOW).why == "uploaded"
        found = term(kept, NOW + DAY)
        # Midnight in Madrid.
        assert found.at == datetime(2026, 11, 27, 23, tzinfo=UTC)
        assert tidy(commits, found.at - timedelta(minutes=1)) == 0
        assert tidy(commits, found.at) == 1

    def test_somebody_else_in_a_film_of_the_same_content(self, kept, commits):
        other = make.make_match(kept.cast.club, [kept.cast.cleo, None, None, None])
        second = stored.stored(other, uploaded_at=NOW)
        assert not stills.may_be_shown(kept.film, NOW)
        assert term(kept, NOW).why == "consent"
        make.consent(kept.cast.cleo)
        assert term(kept, NOW).why == "uploaded"
        assert until(second, NOW).why == "uploaded"

    def test_one_that_nobody_knows_the_end_of_counts_from_when_it_was_noticed(self, kept, commits):
        kept.match.seats.filter(position=3).update(visitor_consent=False)
        assert term(kept, NOW).at == NOW + 7 * DAY
        assert tidy(commits, NOW) == 0
        assert AuditEvent.objects.filter(action="film.consent_lacking").count() == 1
        assert tidy(commits, NOW + 6 * DAY) == 0
        assert AuditEvent.objects.filter(action="film.consent_lacking").count() == 1
        assert term(kept, NOW + 6 * DAY).at == NOW + 7 * DAY
        kept.match.seats.update(visitor_consent=True)
        assert tidy(commits, NOW + 6 * DAY) == 0
        assert AuditEvent.objects.filter(action="film.consent_back").count() == 1
        kept.match.seats.update(visitor_consent=False)
        assert tidy(commits, NOW + 8 * DAY) == 0
        assert tidy(commits, NOW + 15 * DAY) == 1

    def test_a_film_that_shows_no_match_any_more(self, kept, commits):
        MatchFilm.objects.all().delete()
        assert tidy(commits, NOW) == 0
        assert tidy(commits, NOW + 7 * DAY) == 1

    def test_a_new_age_of_consent_gives_guardians_a_week(self, kept, commits):
        """A guardian's word that ended years ago was not needed then: it counts from the change on."""
        dan, club = kept.cast.dan, kept.cast.club
        dan.born_on = date(2010, 6, 1)
        dan.save()
        make.consent(dan, "guardian", expires_on=date(2024, 1, 1))
        assert term(kept, NOW).why == "uploaded"
        edit_club(by=kept.cast.manager, club=club, own_consent_age=18)
        AuditEvent.objects.filter(action="club.changed").update(at=NOW)
        found = term(kept, NOW + DAY)
        assert (found.at, found.why) == (NOW + 7 * DAY, "consent")

    def test_a_birthday_that_was_put_right(self, kept):
        dan = kept.cast.dan
        make.consent(dan, "guardian", expires_on=date(2024, 1, 1))
        from players.services import edit_player

        edit_player(by=kept.cast.manager, player=dan, born_on=date(2012, 6, 1), now=NOW)
        AuditEvent.objects.filter(action="player.changed").update(at=NOW)
        assert term(kept, NOW + DAY).at == NOW + 7 * DAY

    def test_pages_and_terms_agree(self, kept):
        """What is refused has a day on which it goes, and nothing else has one for that reason."""
        dan = kept.cast.dan
        for change in (
            {"withdrawn_at": NOW - DAY},
            {"withdrawn_at": None, "expires_on": date(2026, 11, 19)},
            {"withdrawn_at": None, "expires_on": date(2026, 11, 20)},
            {"withdrawn_at": None, "expires_on": date(2030, 1, 1)},
        ):
            FilmConsent.objects.filter(player=dan).update(**change)
            assert bool(stills.may_be_shown(kept.film, NOW)) == (term(kept, NOW).why != "consent"), change


def test_the_same_few_questions_for_any_number_of_films(kept):
    def asked(films):
        with CaptureQueriesContext(
            connection,
        ) as seen:
            film_terms.terms(kept.cast.club, films, NOW)
        return len(seen)

    few = asked([kept.film])
    for n in range(40):
        match = make.make_match(kept.cast.club, [kept.cast.ana, kept.cast.dan, None, None])
        film = Film.objects.create(
            club=kept.cast.club,
            name=f"{n}",
            size=1,
            digest=f"{n:064d}",
            state="ready",
            duration_s=1,
            file=f"x{n}",
        )
        MatchFilm.objects.create(match=match, film=film)
    assert asked(list(Film.objects.select_related("club"))) == few <= 6
