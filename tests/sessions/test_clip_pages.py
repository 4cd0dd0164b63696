"""The page of one situation and the bytes of its clip: for whom, in which words, and what is on record."""

import re
from datetime import date, timedelta
from html import unescape

import pytest
from django.core.files.base import ContentFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach.models import AuditEvent, Job
from players.models import FilmConsent, Unit
from players.services import withdraw_consent
from sessions import clips, footage, stills
from sessions.models import Clip, Cover, Film, MatchFilm
from tests import factories as make
from tests.clubcoach.walk import address, build_world, routes
from tests.sessions import moving
from tests.sessions.chain import make_chain, unit_of
from tests.sessions.moving import agree, publish, work

pytestmark = pytest.mark.django_db
RUN_OUT = date(2026, 1, 1)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(footage, "cut", moving.cut_quickly)


@pytest.fixture
def filmed(chain):
    """A published situation of Ana at 8 s of a film of a minute."""
    return set_up(chain)


def set_up(chain, **fields):
    chain.film = Film(club=chain.cast.club, name="court.webm", size=9, digest="d" * 64, state="ready")
    chain.film.duration_s = 60
    chain.film.file.save("court.webm", ContentFile(b"\x1a\x45\xdf\xa3film."), save=False)
    chain.film.save()
    MatchFilm.objects.create(match=chain.match, film=chain.film)
    agree(chain.match)
    chain.situation = chain.see(hit_s=8.0, **{"marks": {"L2": "met", "L3": "missed"}, **fields})
    chain.close()
    publish(chain.analysis)
    return chain


def child_of(cast):
    """Ben's situation, in a match of his; Greta looks after him."""
    match = make.make_match(cast.club, [cast.ben, cast.dan, cast.ana, None])
    chain = make_chain(cast, match=match, units=[unit_of(cast.ben)])
    chain.unit = unit_of(cast.ben)
    make.consent(cast.ben, "guardian")
    return set_up(chain)


def url(name, situation, slug="seaside"):
    return reverse(name, args=[slug, situation.pk])


def get(chain, person, name="situation", query="", **headers):
    answer = chain.cast.client(person).get(url(name, chain.situation) + query, headers=headers)
    if answer.streaming:
        answer.whole = b"".join(answer.streaming_content)
    return answer


def text_of(answer):
    body = re.sub(r"<script.*?</script>", " ", answer.content.decode(), flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def cut(chain):
    clips.clip_of(situation=chain.situation, by=chain.cast.head_coach)
    assert work() == 1
    return Clip.objects.get()


class TestWho:
    @pytest.mark.parametrize(
        ("who", "status"),
        [
            ("student", 200),
            ("head_coach", 200),
            ("assistant", 200),
            ("all_in_one", 200),
            ("two_clubs", 200),
            ("guardian", 404),
            ("manager", 403),
            ("stranger", 404),
        ],
    )
    def test_an_adult_s_situation(self, filmed, who, status):
        cut(filmed)
        for name in ("situation", "clip"):
            assert get(filmed, getattr(filmed.cast, who), name).status_code == status

    def test_nobody_who_is_not_signed_in(self, filmed):
        cut(filmed)
        for name in ("situation", "clip"):
            answer = get(filmed, None, name)
            assert answer.status_code == 302
            assert "/account/login/" in answer["Location"]

    def test_not_at_another_club_s_address(self, filmed):
        cut(filmed)
        client = filmed.cast.client(filmed.cast.stranger)
        for name in ("situation", "clip"):
            assert client.get(url(name, filmed.situation, "hilltop")).status_code == 404

    def test_a_child_s_is_for_the_guardian_until_the_child_is_of_age(self, cast, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        chain = child_of(cast)
        cut(chain)
        for name in ("situation", "clip"):
            assert get(chain, cast.guardian, name).status_code == 200
            assert get(chain, cast.student, name).status_code == 404, "an opponent's is not hers"
        cast.ben.born_on = cast.club.today() - timedelta(days=366 * 18 + 5)
        cast.ben.save(update_fields=["born_on"])
        for name in ("situation", "clip"):
            assert get(chain, cast.guardian, name).status_code == 404

    def test_a_pair_s_is_for_both_and_the_way_back_is_one_s_own_page(self, filmed):
        cast = filmed.cast
        cast.ben.user = make.make_member(cast.club, "student", name="Bo")
        cast.ben.save(update_fields=["user"])
        pair = Unit.objects.pair_of(cast.ana, cast.ben)
        type(filmed.situation).objects.update(unit=pair)
        Cover.objects.update(unit=pair)
        for person, player in ((cast.student, cast.ana), (cast.ben.user, cast.ben)):
            page = get(filmed, person).content.decode()
            assert reverse("student_page", args=["seaside", player.uuid]) in page

    @pytest.mark.parametrize("state", ["submitted", "withdrawn"])
    def test_a_student_sees_only_what_is_published(self, filmed, state):
        cut(filmed)
        filmed.state(state)
        for name in ("situation", "clip"):
            assert get(filmed, filmed.cast.student, name).status_code == 404
            assert get(filmed, filmed.cast.head_coach, name).status_code == 200

    def test_marks_before_publication_are_for_the_analyst_and_the_head_coach(self, filmed):
        filmed.state("in_progress")
        for person, told in (("assistant", True), ("head_coach", True), ("two_clubs", False)):
            words = text_of(get(filmed, getattr(filmed.cast, person)))
            assert ("Two feet down" in words) is told
            assert ("not published yet" in words) is not told

    def test_no_film_address_for_students_and_guardians(self, cast, settings, tmp_path):
        """Every address of a club with real objects in it, as the student and as her guardian."""
        settings.MEDIA_ROOT = tmp_path
        world = build_world(
            cast.club,
            coach=cast.head_coach,
            analyst=cast.assistant,
            player=cast.ana,
            other=cast.dan,
            mark="seaside",
        )
        cast.ana.born_on = cast.ben.born_on
        cast.ana.save(update_fields=["born_on"])
        make.guard(cast.ana, cast.guardian)
        make.consent(cast.ana, "guardian")
        film = Film.objects.get()
        seen = set()
        for person in (cast.student, cast.guardian):
            client = cast.client(person)
            for route in routes():
                if not route.in_club:
                    continue
                answer = client.get(address(route, "seaside", world))
                # Where to put the phone is for everybody; what is only sent to says so.
                if route.path.startswith("c/<slug:slug>/films/") and route.name != "phone_place":
                    assert answer.status_code in (403, 404, 405), route.path
                if answer.status_code == 200 and not answer.streaming:
                    seen.add(route.name)
                    body = answer.content.decode(errors="replace")
                    assert str(film.uuid) not in body, route.path
                    assert "/films/" not in body, route.path
        assert {"student_page", "situation"} <= seen


class TestPage:
    def test_first_look_then_progress_then_the_clip(self, filmed):
        cast = filmed.cast
        here = url("situation", filmed.situation)
        page = get(filmed, cast.student).content.decode()
        assert f'hx-get="{here}" hx-trigger="every 1s"' in page
        assert "Look again" in page
        assert "<video" not in page
        Job.objects.filter(kind="clip.cut").update(state="running", progress=40)
        part = get(filmed, cast.student, hx_request="true").content.decode()
        assert part.lstrip().startswith('<div id="clip"')
        assert '<progress value="40" max="100">' in part
        Job.objects.update(state="waiting")
        assert work() == 1
        part = get(filmed, cast.student, hx_request="true").content.decode()
        assert "hx-trigger" not in part
        assert f'src="{url("clip", filmed.situation)}"' in part
        assert 'controls playsinline preload="metadata"' in part
        assert "please do not copy it, pass it on" in part
        assert "poster" not in part
        assert "<video" in get(filmed, cast.student).content.decode()

    def test_the_still_stands_there_meanwhile_and_is_the_poster_then(self, filmed):
        path = stills.path_of(filmed.situation)
        path.parent.mkdir(parents=True)
        path.write_bytes(b"a picture")
        still = url("still", filmed.situation)
        assert f'<img src="{still}"' in get(filmed, filmed.cast.student).content.decode()
        work()
        page = get(filmed, filmed.cast.student).content.decode()
        assert f'poster="{still}"' in page
        assert "<img src" not in page

    def test_the_checks_in_words(self, filmed):
        words = text_of(get(filmed, filmed.cast.student))
        assert "met Two feet down Both your feet are on the floor as you hit the lob." in words
        assert (
            "missed Time in the air It comes down or is hit sooner. Say to yourself: Higher: count one"
            in words
        )
        assert "End of the court near end" in words
        assert "Ball normal" in words
        assert "at 0:08" in words

    def test_what_was_not_seen(self, filmed):
        filmed.situation.marks.update(value="not_seen")
        words = text_of(get(filmed, filmed.cast.student))
        assert "not seen Two feet down It could not be judged here." in words
        assert "Say to yourself" not in words

    def test_a_child_reads_praise_first_and_one_cue(self, cast, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        chain = child_of(cast)
        chain.situation.marks.filter(check_identity__code="L2").update(value="missed")
        chain.situation.marks.filter(check_identity__code="L3").update(value="met")
        words = text_of(get(chain, cast.guardian))
        assert words.index("Time in the air") < words.index("Two feet down")
        assert words.count("Say to yourself") == 1
        assert "Plant both feet" in words
        for_coaches = text_of(get(chain, cast.head_coach))
        assert for_coaches.index("Two feet down") < for_coaches.index("Time in the air")
        assert for_coaches.count("Say to yourself") == 2

    def test_children_have_no_full_name(self, cast, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        match = make.make_match(cast.club, [cast.ana, None, cast.ben, cast.dan])
        chain = set_up(make_chain(cast, match=match))
        for person in (cast.student, cast.head_coach):
            words = text_of(get(chain, person))
            assert f"Against {cast.ben.given_name} and {cast.dan.name}" in words
            assert "Beside a visitor" in words
            assert cast.ben.family_name not in words

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            (lambda: MatchFilm.objects.all().delete(), "coded without a film here"),
            (lambda: Film.objects.update(state="refused"), "coded without a film here"),
            (lambda: Film.objects.update(state="arrived"), "still being read"),
            (lambda: Film.objects.update(state="making"), "still being made playable"),
            (lambda: Film.objects.update(state="paused"), "still being made playable"),
            (lambda: Film.objects.update(state="away", slices="a" * 64, file=""), "lies on a coach"),
            (
                lambda: Film.objects.update(state="gone", file="", gone_at=timezone.now(), gone_why="hand"),
                "The film of this match has been deleted.",
            ),
            (lambda: MatchFilm.objects.update(offset_s=500), "does not show this moment"),
        ],
    )
    def test_without_a_film_of_the_moment(self, filmed, change, words):
        change()
        answer = get(filmed, filmed.cast.student)
        assert answer.status_code == 200
        assert words in text_of(answer)
        assert "Two feet down" in text_of(answer)
        assert "hx-get" not in answer.content.decode()
        assert not Job.objects.filter(kind="clip.cut").exists()
        assert get(filmed, filmed.cast.student, "clip").status_code == 404

    def test_a_clip_that_could_not_be_cut(self, filmed):
        path = filmed.film.file.path
        get(filmed, filmed.cast.student)
        filmed.film.file.storage.delete(filmed.film.file.name)
        work()
        answer = get(filmed, filmed.cast.student)
        assert "could not be cut. The film's file is not there any more." in text_of(answer)
        assert "hx-trigger" not in answer.content.decode()
        assert not Job.objects.filter(kind="clip.cut", state="waiting").exists()
        with open(path, "wb") as film:
            film.write(b"found again")
        client = filmed.cast.client(filmed.cast.student)
        here = f"{url('situation', filmed.situation)}?check=L2"
        answer = client.post(here)
        assert (answer.status_code, answer["Location"]) == (302, here)
        assert work() == 1
        assert "<video" in get(filmed, filmed.cast.student).content.decode()

    @pytest.mark.parametrize("who", ["guardian", "stranger", "manager"])
    def test_trying_again_is_for_whom_it_belongs_to(self, filmed, who):
        clips.clip_of(situation=filmed.situation, by=filmed.cast.student)
        Clip.objects.update(state="failed", problem="x")
        Job.objects.all().delete()
        client = filmed.cast.client(getattr(filmed.cast, who))
        assert client.post(url("situation", filmed.situation)).status_code in (403, 404)
        assert Clip.objects.get().state == "failed"

    def test_the_words_stay_when_a_consent_is_gone(self, filmed, django_capture_on_commit_callbacks):
        cut(filmed)
        with django_capture_on_commit_callbacks(execute=True):
            withdraw_consent(by=filmed.cast.student, player=filmed.cast.ana)
        for person in (filmed.cast.student, filmed.cast.head_coach):
            answer = get(filmed, person)
            assert answer.status_code == 200
            words = text_of(answer)
            assert "withdrawn their consent, or it has ended. So there is no picture and no clip" in words
            assert "Two feet down" in words
            page = answer.content.decode()
            assert "<video" not in page
            assert url("still", filmed.situation) not in page
            assert "hx-get" not in page
        assert not Clip.objects.exists()

    def test_before_and_after(self, filmed):
        others = [filmed.see(hit_s=hit, marks={"L2": "missed"}) for hit in (9.0, 10.0)]
        filmed.see(hit_s=8.5, marks={"L3": "met"})
        page = get(filmed, filmed.cast.student, query="?check=L2")
        assert "Two feet down: situation 1 of 3" in text_of(page)
        assert f'{url("situation", others[0])}?check=L2"' in page.content.decode()
        assert "The one before" not in text_of(page)
        assert "Lob: situation 1 of 4" in text_of(get(filmed, filmed.cast.student))
        assert "Lob: situation 1 of 4" in text_of(get(filmed, filmed.cast.student, query="?check=%3Cb%3E"))
        filmed.situation = others[1]
        page = text_of(get(filmed, filmed.cast.student, query="?check=L2"))
        assert "situation 3 of 3" in page
        assert "The next one" not in page

    def test_alone(self, filmed):
        assert "situation 1 of" not in text_of(get(filmed, filmed.cast.student))

    def test_queries_do_not_grow(self, filmed):
        def count():
            with CaptureQueriesContext(connection) as seen:
                assert get(filmed, filmed.cast.student, query="?check=L2").status_code == 200
            return len(seen)

        cut(filmed)
        count()
        few = count()
        for number in range(60):
            filmed.see(hit_s=9 + number / 10, marks={"L2": "met", "L3": "missed"})
        assert count() == few


class TestBytes:
    def test_the_whole_and_a_part(self, filmed):
        clip = cut(filmed)
        whole = clips.path_of(clip.digest).read_bytes()
        answer = get(filmed, filmed.cast.student, "clip")
        assert answer.whole == whole
        assert answer["Content-Type"] == "video/webm"
        assert answer["Cache-Control"] == "private, no-store"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Accept-Ranges"] == "bytes"
        part = get(filmed, filmed.cast.student, "clip", range="bytes=2-4")
        assert (part.status_code, part.whole) == (206, whole[2:5])
        assert part["Content-Range"] == f"bytes 2-4/{len(whole)}"
        assert get(filmed, filmed.cast.student, "clip", range="bytes=9999-").status_code == 416

    def test_not_before_it_is_ready_and_not_asked_for_by_this(self, filmed):
        assert get(filmed, filmed.cast.student, "clip").status_code == 404
        assert not Clip.objects.exists()
        clips.clip_of(situation=filmed.situation, by=filmed.cast.student)
        assert get(filmed, filmed.cast.student, "clip").status_code == 404
        Clip.objects.update(state="failed")
        assert get(filmed, filmed.cast.student, "clip").status_code == 404

    def test_not_when_the_file_is_gone(self, filmed):
        clips.path_of(cut(filmed).digest).unlink()
        assert get(filmed, filmed.cast.student, "clip").status_code == 404

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_not_once_a_consent_is_missing(self, filmed, how):
        """Refused at once, the file being still there or not."""
        cut(filmed)
        if how == "withdrawn":
            FilmConsent.objects.filter(player=filmed.cast.dan).update(withdrawn_at=timezone.now())
        elif how == "ended":
            FilmConsent.objects.filter(player=filmed.cast.dan).update(expires_on=RUN_OUT)
        else:
            filmed.match.seats.filter(position=4).update(visitor_consent=False)
        for person in (filmed.cast.student, filmed.cast.head_coach):
            answer = get(filmed, person, "clip")
            assert answer.status_code == 403
            assert "Somebody in this film has withdrawn their consent" in text_of(answer)
            assert filmed.cast.dan.name not in text_of(answer)
        assert not AuditEvent.objects.filter(action="clip.watched").exists()

    def test_who_watched_is_on_record_once_an_hour(self, filmed):
        cut(filmed)
        for wanted in ("bytes=0-1", "bytes=2-3", "bytes=0-"):
            get(filmed, filmed.cast.student, "clip", range=wanted)
        get(filmed, filmed.cast.assistant, "clip")
        rows = AuditEvent.objects.filter(action="clip.watched").order_by("pk")
        about = ("training.situation", str(filmed.situation.pk))
        assert list(rows.values_list("actor", "target_type", "target_id")) == [
            (filmed.cast.student.pk, *about),
            (filmed.cast.assistant.pk, *about),
        ]
        rows.update(at=timezone.now() - timedelta(hours=1))
        get(filmed, filmed.cast.student, "clip", range="bytes=0-1")
        assert rows.count() == 3

    def test_who_only_opened_the_page_did_not_watch(self, filmed):
        cut(filmed)
        get(filmed, filmed.cast.student)
        filmed.cast.client(filmed.cast.student).head(url("clip", filmed.situation))
        assert not AuditEvent.objects.filter(action="clip.watched").exists()


class TestStillsThatFail:
    def waiting(self):
        return Job.objects.filter(kind="film.stills", state="waiting").count()

    def test_one_that_cannot_be_taken_is_not_asked_for_at_each_look(self, filmed, monkeypatch):
        """The film of this fixture is none: no picture can be taken of it."""
        assert get(filmed, filmed.cast.student, "still").status_code == 404
        assert self.waiting() == 1
        assert work("film.stills") == 1
        for name in ("still", "situation"):
            get(filmed, filmed.cast.student, name)
        assert self.waiting() == 0
        assert stills.missing_of(filmed.analysis) == {}
        monkeypatch.setattr(stills, "GIVEN_UP_FOR", timedelta(seconds=-1))
        get(filmed, filmed.cast.student, "still")
        assert self.waiting() == 1

    def test_nor_one_whose_job_failed(self, filmed):
        get(filmed, filmed.cast.student, "still")
        Job.objects.update(state="failed", finished_at=timezone.now())
        get(filmed, filmed.cast.student, "still")
        assert self.waiting() == 0
        Job.objects.update(finished_at=timezone.now() - timedelta(days=2))
        get(filmed, filmed.cast.student, "still")
        assert self.waiting() == 1

    def test_nor_one_that_another_match_of_the_film_forbids(self, filmed):
        other = make.make_match(filmed.cast.club, [filmed.cast.cleo, None, None, None])
        MatchFilm.objects.create(match=other, film=filmed.film)
        assert get(filmed, filmed.cast.student, "still").status_code == 403
        assert self.waiting() == 0

    def test_the_memory_of_it_goes_with_the_consent(self, filmed, settings):
        get(filmed, filmed.cast.student, "still")
        work("film.stills")
        assert [name.endswith(".none") for name in moving.kept(settings, "stills")] == [True]
        assert stills.drop_stills_of(filmed.cast.dan) == 0
        assert moving.kept(settings, "stills") == []
