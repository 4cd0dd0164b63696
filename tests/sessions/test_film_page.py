"""The page of one film and the page of all that is stored: who sees what, what can be done, and how it is said."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import AuditEvent, Job
from players.models import FilmConsent
from sessions import film_jobs_make, film_store, services
from sessions.models import Analysis, Film, MatchFilm
from tests import factories as make
from tests.sessions import moving, stored

pytestmark = pytest.mark.django_db


def url(name, *args):
    return reverse(name, args=["seaside", *args])


def text_of(answer):
    return " ".join(answer.content.decode().split())


@pytest.fixture
def ready(chain):
    """A film that everybody in it agrees to, with two pictures of its strip."""
    moving.agree(chain.match)
    chain.film = stored.stored(
        chain.match,
        strip=[15.0, 45.5],
        width=1920,
        height=1080,
        frame_rate=29.97,
        steady=False,
        video_codec="hevc",
        audio_codec="aac",
        remark="The film has more than one sound track.",
    )
    for at_s, large in ((15.0, False), (45.5, False), (15.0, True)):
        path = film_store.strip_path(chain.film, at_s, large=large)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"large picture" if large else b"picture")
    return chain


def see(chain, person, name="film", **headers):
    args = () if name == "film_store" else (chain.film.uuid,)
    return chain.cast.client(person).get(url(name, *args), headers=headers)


def send(chain, name, data=None, person=None):
    client = chain.cast.client(person or chain.cast.assistant)
    return client.post(url(name, chain.film.uuid), data or {}, follow=True)


class TestFilm:
    def test_played_with_its_strip_its_facts_and_what_it_shows(self, ready):
        page = text_of(see(ready, ready.cast.assistant))
        assert f'src="{url("film_bytes", ready.film.uuid)}"' in page
        assert f'poster="{url("film_strip", ready.film.uuid, 15000)}?large=1"' in page
        for ms, words in ((15000, "0:15"), (45500, "0:45")):
            assert f'href="{url("film_strip", ready.film.uuid, ms)}" data-at="{ms / 1000:.6f}"' in page
            assert f"<span>{words}</span>" in page
        assert "1920 by 1080 points, about 30 pictures a second, at uneven intervals" in page
        assert "H.265, AAC" in page
        assert "more than one sound track" in page
        assert "The film begins with the match." in page
        assert "Until" in page or "Not before the open analyses" in page
        assert "Delete the film" not in page
        assert "Delete the film" in text_of(see(ready, ready.cast.head_coach))

    def test_without_everybody_s_consent_the_facts_stay_and_the_film_does_not(self, ready):
        FilmConsent.objects.filter(player=ready.cast.dan).delete()
        answer = see(ready, ready.cast.assistant)
        page = text_of(answer)
        assert answer.status_code == 200
        assert "<video" not in page
        assert url("film_strip", ready.film.uuid, 15000) not in page
        assert "Somebody in this film has withdrawn their consent" in page
        assert "1920 by 1080" in page
        assert ready.cast.dan.name not in page.replace("Ana", "").split("What it shows")[0]

    @pytest.mark.parametrize(
        ("who", "status"), [("manager", 403), ("student", 403), ("guardian", 403), ("stranger", 404)]
    )
    def test_who_may_not(self, ready, who, status):
        assert see(ready, getattr(ready.cast, who)).status_code == status

    @pytest.mark.parametrize(
        ("state", "words", "buttons"),
        [
            ("arrived", "has come and is being read", ["cancel"]),
            ("making", "made playable for browsers", ["pause", "cancel"]),
        ],
    )
    def test_at_work_it_looks_again_by_itself(self, ready, state, words, buttons):
        Film.objects.update(state=state, original="films/x.mkv", file="")
        kind = "film.read" if state == "arrived" else "film.make"
        job = jobs.enqueue(kind, club=ready.cast.club, key=str(ready.film.uuid), film=ready.film.pk)
        Job.objects.filter(pk=job.pk).update(state="running", note="Made 12 of 60 min", progress=20)
        page = text_of(see(ready, ready.cast.assistant, hx_request="true"))
        assert page.startswith('<div id="film-work"')
        assert 'hx-trigger="every 2s"' in page
        assert words in page
        assert '<span>Made 12 of 60 min</span> <progress value="20" max="100">' in page
        for name in ("pause", "resume", "cancel", "again"):
            assert (url(f"film_{name}", ready.film.uuid) in page) == (name in buttons), name

    @pytest.mark.parametrize("state", ["arrived", "making"])
    def test_work_that_failed_says_so_and_can_be_tried_again(self, ready, state):
        Film.objects.update(state=state, original="films/x.mkv", file="")
        kind = "film.read" if state == "arrived" else "film.make"
        jobs.enqueue(kind, club=ready.cast.club, key=str(ready.film.uuid), film=ready.film.pk)
        Job.objects.update(state="failed", note="Something went wrong (OSError).", finished_at=timezone.now())
        page = text_of(see(ready, ready.cast.assistant, hx_request="true"))
        assert "The work on this film has stopped.</strong> Something went wrong (OSError)." in page
        assert "hx-trigger" not in page
        assert url("film_again", ready.film.uuid) in page
        answer = send(ready, "film_again")
        assert "It is tried once more." in text_of(answer)
        assert Job.objects.filter(kind=kind, state="waiting").count() == 1

    def test_once_it_is_ready_the_whole_page_comes(self, ready):
        assert see(ready, ready.cast.assistant, hx_request="true")["HX-Refresh"] == "true"

    def test_paused_gone_on_with_called_off(self, ready):
        Film.objects.update(state="making", original=ready.film.file.name, file="")
        jobs.enqueue("film.make", club=ready.cast.club, key=str(ready.film.uuid), film=ready.film.pk)
        assert "Paused." in text_of(send(ready, "film_pause"))
        assert Film.objects.get().state == "paused"
        assert not Job.objects.filter(kind="film.make", state="waiting").exists()
        assert "goes on where it was left off" in text_of(send(ready, "film_resume"))
        assert Film.objects.get().state == "making"
        page = text_of(send(ready, "film_cancel"))
        assert "Called off." in page
        assert "<strong>Refused.</strong>" in page
        assert "Try once more" in page

    @pytest.mark.parametrize("name", ["film_pause", "film_resume", "film_cancel", "film_again"])
    def test_what_means_nothing_now_is_said(self, ready, name):
        assert "This film is ready: that cannot be done now." in text_of(send(ready, name))
        assert Film.objects.get().state == "ready"
        assert not Job.objects.exists()

    def test_one_that_is_gone_says_when_and_why(self, ready):
        now = timezone.now()
        Film.objects.update(state="gone", gone_at=now, gone_why="rule", name="", file="", original="")
        page = text_of(see(ready, ready.cast.head_coach))
        assert "A film that is gone" in page
        assert "its time was over." in page
        assert "Keep it for longer" not in page
        assert "It shows another match too" not in page

    def test_the_same_few_questions_whatever_it_shows(self, ready):
        def asked():
            with CaptureQueriesContext(connection) as seen:
                assert see(ready, ready.cast.head_coach).status_code == 200
            return len(seen)

        def more(n):
            for number in range(n):
                match = make.make_match(ready.cast.club, [ready.cast.ana, ready.cast.dan, None, None])
                if number % 2:
                    MatchFilm.objects.create(match=match, film=ready.film)

        more(2)
        asked()
        few = asked()
        more(12)
        assert asked() == few


class TestStrip:
    def get(self, chain, ms, person=None, **data):
        client = chain.cast.client(person or chain.cast.assistant)
        return client.get(url("film_strip", chain.film.uuid, ms), data)

    def test_small_and_large(self, ready):
        answer = self.get(ready, 15000)
        assert (answer.content, answer["Content-Type"]) == (b"picture", "image/jpeg")
        assert answer["Cache-Control"] == "private, no-store"
        assert self.get(ready, 15000, large="1").content == b"large picture"
        assert AuditEvent.objects.filter(action="film.watched", actor=ready.cast.assistant).count() == 1

    def test_refused_like_the_bytes(self, ready):
        FilmConsent.objects.filter(player=ready.cast.dan).delete()
        assert self.get(ready, 15000).status_code == 403
        assert self.get(ready, 15000, ready.cast.manager).status_code == 403
        assert self.get(ready, 15000, ready.cast.stranger).status_code == 404
        assert not AuditEvent.objects.filter(action="film.watched").exists()

    def test_another_moment_is_none_of_it(self, ready):
        assert self.get(ready, 15001).status_code == 404
        assert not Job.objects.exists()

    def test_what_is_lost_is_asked_for(self, ready):
        film_store.strip_path(ready.film, 45.5).unlink()
        assert self.get(ready, 45500).status_code == 404
        assert self.get(ready, 45500, large="1").status_code == 404
        assert self.get(ready, 45500).status_code == 404
        asked = Job.objects.filter(kind="film.strip", state="waiting").order_by("pk")
        assert [job.args["large"] for job in asked] == [[], [45500]]
        Job.objects.update(state="failed", finished_at=timezone.now())
        self.get(ready, 45500)
        assert not Job.objects.filter(state="waiting").exists(), "not again within a day of a failure"

    def test_the_job_takes_what_is_missing_and_nothing_else(self, ready, monkeypatch):
        taken = []

        def take(film, times, large):
            taken.append((times, large))

        film_store.strip_path(ready.film, 45.5).unlink()
        film_jobs_make.ask_for_strip(ready.film, 45.5, large=True)
        monkeypatch.setattr(film_jobs_make, "_take", take)
        assert moving.work("film.strip") == 1
        assert taken == [([45.5], True), ([45.5], False)]


class TestMatches:
    @pytest.fixture
    def other(self, ready):
        match = make.make_match(
            ready.cast.club, [ready.cast.ana, None, None, None], played_on=date(2026, 9, 5)
        )
        match.seats.update(visitor_consent=True)
        return match

    def test_shown_moved_and_hidden(self, ready, other):
        page = send(ready, "film_matches", {"act": "show", "match": other.uuid, "offset": "-1:02:00"})
        assert "The film shows this match too now." in text_of(page)
        assert "The match begins at 1:02:00 of the film." in text_of(page)
        link = MatchFilm.objects.get(match=other)
        assert link.offset_s == -3720
        page = send(ready, "film_matches", {"act": "move", "match": other.uuid, "offset": "2:30.5"})
        link.refresh_from_db()
        assert link.offset_s == 150.5
        assert 'value="2:30.5"' in text_of(page)
        send(ready, "film_matches", {"act": "hide", "match": other.uuid})
        assert not MatchFilm.objects.filter(match=other).exists()
        actions = list(
            AuditEvent.objects.filter(target_type="training.film").values_list("action", flat=True)
        )
        assert actions == ["film.shown", "film.moved", "film.hidden"]

    def test_the_only_match_stays(self, ready):
        page = send(ready, "film_matches", {"act": "hide", "match": ready.match.uuid})
        assert "It is the only match that the film shows." in text_of(page)
        assert MatchFilm.objects.count() == 1

    def test_not_where_somebody_has_not_agreed(self, ready):
        match = make.make_match(ready.cast.club, [ready.cast.cleo, None, None, None])
        answer = send(ready, "film_matches", {"act": "show", "match": match.uuid, "offset": "0:00"})
        assert answer.status_code == 422
        assert "has not agreed to be filmed" in text_of(answer)
        assert MatchFilm.objects.count() == 1

    def test_not_a_match_of_another_club(self, ready):
        match = make.make_match(ready.cast.other_club)
        answer = send(ready, "film_matches", {"act": "show", "match": match.uuid, "offset": "0:00"})
        assert answer.status_code == 422
        assert (
            send(ready, "film_matches", {"act": "move", "match": match.uuid, "offset": "0:00"}).status_code
            == 404
        )

    def test_not_twice(self, ready, other):
        twin = stored.stored(other)
        assert twin.digest == ready.film.digest
        answer = send(ready, "film_matches", {"act": "show", "match": other.uuid, "offset": "0:00"})
        assert "The film shows this match already." in text_of(answer)

    def test_not_twice_where_only_fingerprints_are_known(self, ready, other):
        Film.objects.update(slices="a" * 64)
        services.register_away(
            by=ready.cast.assistant, match=other, name="x.mp4", size=7, duration_s=9, slices="a" * 64
        )
        answer = send(ready, "film_matches", {"act": "show", "match": other.uuid, "offset": "0:00"})
        assert "The film shows this match already." in text_of(answer)
        assert not MatchFilm.objects.filter(match=other, film=ready.film).exists()

    @pytest.mark.parametrize("offset", ["", "soon", "1:75", "99", "--1:00", "1:00:00:00"])
    def test_a_beginning_that_is_none(self, ready, offset):
        answer = send(ready, "film_matches", {"act": "move", "match": ready.match.uuid, "offset": offset})
        assert answer.status_code == 422
        assert 'aria-invalid="true"' in text_of(answer)
        assert MatchFilm.objects.get().offset_s == 0

    @pytest.mark.parametrize("data", [{}, {"match": "no"}, {"act": "move"}, {"act": "show"}])
    def test_nonsense(self, ready, data):
        assert send(ready, "film_matches", data).status_code in (404, 422)


class TestStore:
    def test_none(self, chain):
        page = text_of(see(chain, chain.cast.manager, "film_store"))
        assert "No film is stored" in page
        assert "0 bytes of the club's 200 GB are taken" in page

    def test_one_and_who_may_open_it(self, ready):
        Analysis.objects.update(state="cancelled")
        Film.objects.update(size=4_200_000_000)
        page = text_of(see(ready, ready.cast.manager, "film_store"))
        assert (
            "4.2 GB of the club's 200 GB are taken, films on their way in counted whole. 196 GB are free."
            in page
        )
        assert "1 Sep 2026" in page
        assert url("film", ready.film.uuid) + '"' not in page
        assert url("film_hold", ready.film.uuid) in page
        assert url("film", ready.film.uuid) + '"' in text_of(see(ready, ready.cast.head_coach, "film_store"))
        for who in ("assistant", "student", "guardian"):
            assert see(ready, getattr(ready.cast, who), "film_store").status_code == 403

    def test_more_than_there_is_room_for(self, ready):
        Film.objects.update(size=201_000_000_000)
        assert "That is 1.0 GB too much: new films are refused" in text_of(
            see(ready, ready.cast.manager, "film_store")
        )

    def test_what_goes_soon_stands_first(self, ready):
        Analysis.objects.update(state="cancelled")
        for n, days in ((1, 3), (2, 30), (3, 12)):
            match = make.make_match(ready.cast.club, [ready.cast.ana, None, None, None])
            uploaded = timezone.now() - timedelta(days=365) + timedelta(days=days)
            stored.stored(match, digest=str(n), uploaded_at=uploaded, name=f"film {n}.mp4")
        page = text_of(see(ready, ready.cast.manager, "film_store"))
        assert "2 films go within the next 14 days; they stand first." in page
        places = [page.index(name) for name in ("film 1.mp4", "film 3.mp4", "court.webm", "film 2.mp4")]
        assert places == sorted(places)

    def test_five_hundred_on_pages_with_the_same_few_questions(self, ready):
        def asked(**data):
            client = ready.cast.client(ready.cast.head_coach)
            with CaptureQueriesContext(connection) as seen:
                answer = client.get(url("film_store"), data)
            assert answer.status_code == 200
            return len(seen), text_of(answer)

        asked()
        few, _page = asked()
        films = [
            Film(club=ready.cast.club, name=f"n{n}", size=1, digest=f"{n:064d}", state="ready", duration_s=1)
            for n in range(500)
        ]
        for n, film in enumerate(films):
            film.file = f"films/{n}.webm"
        Film.objects.bulk_create(films)
        MatchFilm.objects.bulk_create(MatchFilm(match=ready.match, film=film) for film in films)
        many, page = asked()
        assert many == few
        assert "501 films" in page
        assert "page 1 of 11" in page
        assert asked(page=11)[1].count("<tr>") == 2

    def test_the_club_s_page_leads_here_and_sets_the_months(self, ready):
        client = ready.cast.client(ready.cast.manager)
        page = text_of(client.get(url("club_settings")))
        assert f'href="{url("film_store")}"' in page
        assert "Months that a film is kept" in page

    def test_kept_for_longer_with_a_reason(self, ready):
        answer = send(ready, "film_hold", {"why": ""}, ready.cast.manager)
        assert answer.status_code == 422
        assert "Say why the film is kept for longer." in text_of(answer)
        page = text_of(send(ready, "film_hold", {"why": "for May"}, ready.cast.manager))
        assert "is kept until somebody lets it go" in page
        assert "Kept until somebody lets it go: for May" in page
        film = Film.objects.get()
        assert (film.held, film.held_by, film.held_why) == (True, ready.cast.manager, "for May")
        assert "for May" in text_of(see(ready, ready.cast.assistant))
        send(ready, "film_hold", {"act": "let_go"}, ready.cast.head_coach)
        film.refresh_from_db()
        assert (film.held, film.held_by, film.held_why) == (False, None, "")

    def test_deleted_when_it_was_asked_twice(self, ready, django_capture_on_commit_callbacks):
        manager = ready.cast.manager
        page = text_of(send(ready, "film_remove", {}, manager))
        assert "Delete this film?" in page
        assert "1 analysis of its matches is still open" in page
        assert Film.objects.get().state == "ready"
        answer = send(ready, "film_remove", {"sure": "1"}, manager)
        assert answer.status_code == 422
        assert "Nothing was deleted." in text_of(answer)
        assert Film.objects.get().state == "ready"
        with django_capture_on_commit_callbacks(execute=True):
            page = text_of(send(ready, "film_remove", {"sure": "1", "although_open": "1"}, manager))
        assert "The film is deleted. Its times and marks stay." in page
        assert Film.objects.get().state == "gone"
        assert stored.files() == []
        assert "This film is deleted already." in text_of(see(ready, manager, "film_remove"))
        assert "there is nothing to keep" in text_of(see(ready, manager, "film_hold"))
