"""Hearing a film in the background: what is written once, what stays, what is learnt, and what is not listened to."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.utils import timezone

from clubcoach import jobs
from clubcoach.compute import rallies
from clubcoach.compute.onsets import Ear, Onsets, find_onsets
from clubcoach.compute.rallies import CourtSound, Heard, HeardRally, Hits
from clubcoach.models import Job
from players.models import FilmConsent
from sessions import film_jobs_listen, footage, listening, listening_learn, services
from sessions.models import CameraPlace, CourtView, Film, Hearing, Rally, RallyProposal
from tests.sessions import moving, sounding, stored
from tests.sessions.court_scene import CAMERA, clicked

pytestmark = pytest.mark.django_db
SPANS = [(1.0, 4.0), (10.0, 15.5), (70.0, 80.25)]


def heard(*spans: Any, verdict: str = "good", reasons: Any = (), confidence: float = 0.9) -> Heard:
    """What an ear would say: a racket's hit at both ends of each rally."""
    t = np.array(sorted(end for span in spans for end in span), float)
    shape = np.arange(6 * len(t), dtype=float).reshape(-1, 6)
    onsets = Onsets(t, np.ones(len(t)), np.full(len(t), -20.0), shape)
    hits = Hits(t, ("racket",) * len(t), np.full(len(t), 0.9))
    found = tuple(HeardRally(start, end, 2, confidence) for start, end in spans)
    return Heard(hits, found, verdict, tuple(reasons), CourtSound.usual(), onsets)


@pytest.fixture
def film(chain, tmp_path):
    """Two seconds of film with two clicks, as it was kept; it says that it lasts for a hundred."""
    moving.agree(chain.match)
    Rally.objects.all().delete()
    path = sounding.write(tmp_path / "clicks.mkv", [sounding.clicks([0.5, 1.25], 2.0)])
    return stored.stored(chain.match, path.read_bytes(), duration_s=100.0, audio_codec="opus")


@pytest.fixture
def ear(monkeypatch):
    """An ear that says what the test wants, and what it was given."""
    told: dict[str, Any] = {"heard": heard(*SPANS), "courts": [], "bands": []}

    def listen(bands, *, court=None):
        told["courts"].append(court)
        told["bands"].append(bands)
        return told["heard"]

    monkeypatch.setattr(film_jobs_listen, "listen", listen)
    return told


def listen(film: Film, way: str = "sound") -> Job:
    job = jobs.enqueue("film.listen", club=film.club, key=str(film.uuid), film=film.pk, way=way)
    jobs.perform(job.pk)
    job.refresh_from_db()
    return job


def spans(hearing: Hearing) -> list[tuple[float, float]]:
    return list(hearing.proposals.values_list("start_s", "end_s"))


def content(film: Film) -> bytes:
    return Path(film.file.path).read_bytes()


def first(film: Film) -> RallyProposal:
    return film.hearing.proposals.first()


class TestHeard:
    def test_proposals_and_hits_are_written(self, film, ear):
        assert listen(film).state == "done"
        hearing = Hearing.objects.get(film=film)
        assert (hearing.way, hearing.verdict, hearing.reasons, hearing.delay_s) == ("sound", "good", [], 0)
        assert spans(hearing) == SPANS
        assert [row[:3] for row in hearing.hits][:2] == [[1.0, "racket", 0.9], [4.0, "racket", 0.9]]
        assert {row.state for row in hearing.proposals.all()} == {"open"}
        assert hearing.proposals.first().confidence == 0.9

    def test_the_ear_gets_the_films_own_sound(self, film, ear):
        listen(film)
        (bands,) = ear["bands"]
        assert bands.rate == 24_000
        assert bands.duration_s == pytest.approx(2.0, abs=0.05)
        loud = np.flatnonzero(bands.power.sum(axis=1) > 1e-3) / bands.per_second
        assert loud.min() == pytest.approx(0.5, abs=0.02)
        assert 1.2 < loud.max() < 1.4

    def test_a_film_without_sound_is_told_to_be_of_no_use(self, chain, tmp_path):
        moving.agree(chain.match)
        path = stored.write_mkv(tmp_path / "mute.mkv", seconds=1.0, sound=False)
        film = stored.stored(chain.match, path.read_bytes())
        assert listen(film).state == "done"
        hearing = Hearing.objects.get()
        assert (hearing.verdict, hearing.reasons, hearing.hits) == ("useless", ["no_sound"], [])
        assert not hearing.proposals.exists()

    def test_a_film_that_cannot_be_read_says_why_and_may_be_tried_again(self, chain, film, ear):
        whole, path = content(film), Path(film.file.path)
        path.write_bytes(b"no film at all")
        job = listen(film)
        assert (job.state, job.note) == ("failed", str(footage.MESSAGES["not_a_video"]))
        assert not Hearing.objects.exists()
        path.write_bytes(whole)
        services.ask_to_listen(by=chain.cast.assistant, film=film)
        assert jobs.run_due() == 1
        assert Hearing.objects.get().proposals.count() == 3

    def test_without_consent_nothing_is_listened_to(self, film, ear, monkeypatch):
        FilmConsent.objects.all().delete()
        monkeypatch.setattr(footage, "sound", None)
        assert listen(film).state == "done"
        assert not Hearing.objects.exists()

    def test_a_consent_that_goes_meanwhile_leaves_nothing(self, film, ear, monkeypatch):
        real = film_jobs_listen._by_sound

        def and_then(*args):
            FilmConsent.objects.all().delete()
            return real(*args)

        monkeypatch.setattr(film_jobs_listen, "_by_sound", and_then)
        assert listen(film).state == "done"
        assert not Hearing.objects.exists()

    def test_killed_and_done_again_it_happens_once(self, film, ear, monkeypatch):
        real = film_jobs_listen._write
        died = []

        def write(*args):
            real(*args)
            if not died:
                died.append(1)
                raise KeyboardInterrupt

        monkeypatch.setattr(film_jobs_listen, "_write", write)
        job = jobs.enqueue("film.listen", club=film.club, key=str(film.uuid), film=film.pk)
        with pytest.raises(KeyboardInterrupt):
            jobs.perform(job.pk)
        assert not Hearing.objects.exists()
        stored.give_up_leases()
        assert jobs.run_due() == 1
        assert spans(Hearing.objects.get()) == SPANS

    def test_a_job_that_was_stopped_ends_the_reading(self, film, ear, monkeypatch):
        monkeypatch.setattr("sessions.film_jobs.Telling.EVERY_S", 0.0)
        real = footage.sound

        def sound(*args, **wish):
            jobs.stop(Job.objects.get(kind="film.listen"))
            return real(*args, **wish)

        monkeypatch.setattr(footage, "sound", sound)
        assert listen(film).state == "stopped"
        assert not Hearing.objects.exists()


class TestAgain:
    def test_what_was_decided_stays_and_nothing_new_lies_over_it(self, chain, film, ear):
        by = chain.cast.assistant
        ear["heard"] = heard((1, 4), (10, 15), (20, 25), (30, 35), (40, 45))
        listen(film)
        rows = list(film.hearing.proposals.all())
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows[:1])
        services.correct_rally(by=by, proposal=rows[1], start_s=11, end_s=16)
        services.dismiss_rallies(by=by, film=film, proposals=rows[2:3])
        services.add_rally_by_hand(by=by, film=film, start_s=60, end_s=66)
        ear["heard"] = heard((1.2, 4), (16, 18), (20.1, 25.2), (30.5, 36), (50, 55), (61, 62), verdict="poor")
        listen(film)
        hearing = Hearing.objects.get()
        assert hearing.verdict == "poor"
        states = list(hearing.proposals.values_list("start_s", "state", "by_hand"))
        assert states == [
            (1.0, "accepted", False),
            (11.0, "open", False),
            (20.0, "dismissed", False),
            (30.5, "open", False),
            (50.0, "open", False),
            (60.0, "open", True),
        ]
        assert Rally.objects.filter(dropped=False).count() == 1

    def test_what_was_dismissed_does_not_hide_a_longer_rally_around_it(self, chain, film, ear):
        ear["heard"] = heard((20, 23))
        listen(film)
        services.dismiss_rallies(by=chain.cast.assistant, film=film, proposals=[first(film)])
        ear["heard"] = heard((15, 28))
        listen(film)
        assert spans(Hearing.objects.get()) == [(15, 28), (20, 23)]

    def test_a_delay_stays_with_the_sound_and_goes_with_it(self, chain, film, ear, monkeypatch):
        by = chain.cast.assistant
        listen(film)
        services.set_delay(by=by, film=film, seconds=0.5)
        services.accept_rallies(
            by=by, film=film, match=chain.match, proposals=list(film.hearing.proposals.all())[1:2]
        )
        listen(film)
        assert Hearing.objects.get().delay_s == 0.5
        monkeypatch.setattr(
            film_jobs_listen, "rallies_of_motion", lambda *args: heard((50, 55), reasons=["by_motion"])
        )
        listen(film, "motion")
        hearing = Hearing.objects.get()
        assert (hearing.way, hearing.delay_s, hearing.reasons) == ("motion", 0, ["by_motion"])
        # Kept at the same place of the picture, and so of the match.
        assert spans(hearing) == [(9.5, 15.0), (50.0, 55.0)]
        rally = Rally.objects.get(dropped=False)
        assert (rally.start_s, rally.end_s) == (9.5, 15.0)


class TestMotion:
    def test_movement_is_looked_for_inside_the_court(self, film, monkeypatch):
        asked = []

        def motion(path, polygon, *, per_second, tell):
            asked.append(polygon)
            return np.zeros(500, np.float32)

        monkeypatch.setattr(footage, "motion", motion)
        listen(film, "motion")
        assert asked == [None]
        CourtView.objects.create(
            film=film, width=CAMERA.width, height=CAMERA.height_px, landmarks=clicked(), rms_px=1, rms_m=0.1
        )
        listen(film, "motion")
        corners = np.array(asked[1])
        far_left = np.array(CAMERA.project([-5.0, 10.0, 0.0])[:2]) / (CAMERA.width, CAMERA.height_px)
        assert np.hypot(*(corners - far_left).T).min() < 0.01
        assert corners[:, 1].min() > 0.1
        assert Hearing.objects.get().verdict == "useless"

    def test_a_real_film_is_looked_through(self, film):
        job = listen(film, "motion")
        assert (job.state, Hearing.objects.get().way) == ("done", "motion")


class TestLearning:
    @pytest.fixture
    def taught(self, monkeypatch):
        calls = []

        def learn(court, heard, kept, dropped):
            calls.append((court.level_db, list(kept), list(dropped), len(heard.onsets.t)))
            return replace(court, level_db=-10.0 - len(calls), taught=True)

        monkeypatch.setattr(listening_learn, "learn", learn)
        return calls

    def test_decisions_teach_the_place_before_the_next_film_from_there(self, chain, film, ear, taught):
        place = CameraPlace.objects.create(club=chain.cast.club, name="Court 2")
        Film.objects.filter(pk=film.pk).update(camera=place)
        by = chain.cast.assistant
        listen(film)
        assert ear["courts"] == [None]
        assert taught == []
        rows = list(film.hearing.proposals.all())
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows[:1])
        services.dismiss_rallies(by=by, film=film, proposals=rows[1:2])
        services.add_rally_by_hand(by=by, film=film, start_s=30, end_s=35)
        other = stored.stored(chain.match, content(film), digest="e", camera=place)
        listen(other)
        assert taught == [(None, [(1.0, 4.0), (30.0, 35.0)], [(10.0, 15.5)], 6)]
        assert ear["courts"][1].level_db == -11.0
        place.refresh_from_db()
        assert place.sound["level_db"] == -11.0
        # Nothing was decided since: nothing more is learnt, and what is known is used.
        listen(other)
        assert len(taught) == 1
        assert ear["courts"][2].level_db == -11.0
        services.dismiss_rallies(
            by=by, film=film, proposals=rows[2:3], now=timezone.now() + timedelta(seconds=1)
        )
        listen(other)
        assert taught[1][:3] == (-11.0, [(1.0, 4.0), (30.0, 35.0)], [(10.0, 15.5), (70.0, 80.25)])

    def test_a_film_from_nowhere_learns_from_itself_alone(self, chain, film, ear, taught):
        listen(film)
        services.dismiss_rallies(by=chain.cast.assistant, film=film, proposals=[first(film)])
        other = stored.stored(chain.match, content(film), digest="e")
        listen(other)
        assert taught == []
        listen(film)
        assert taught == [(None, [], [(1.0, 4.0)], 6)]
        # Heard as ever, taught from all its blows, and heard again with that.
        assert [court and court.level_db for court in ear["courts"]] == [None, None, None, -11.0]

    def test_what_teaches_nothing_is_not_kept(self, chain, film, ear, monkeypatch):
        place = CameraPlace.objects.create(club=chain.cast.club, name="Court 2")
        Film.objects.filter(pk=film.pk).update(camera=place)
        listen(film)
        services.dismiss_rallies(by=chain.cast.assistant, film=film, proposals=[first(film)])
        monkeypatch.setattr(listening_learn, "learn", lambda court, heard, kept, dropped: court)
        listen(film)
        monkeypatch.setattr(
            listening_learn, "learn", lambda court, heard, kept, dropped: replace(court, level_db=-3.0)
        )
        listen(film)
        place.refresh_from_db()
        assert not place.sound
        assert ear["courts"] == [None] * 3

    def test_a_place_that_nobody_taught_is_not_begun_with(self, chain, film, ear):
        place = CameraPlace.objects.create(
            club=chain.cast.club, name="Court 2", sound=CourtSound(level_db=-40.0, weight=50.0).as_dict()
        )
        Film.objects.filter(pk=film.pk).update(camera=place)
        listen(film)
        assert ear["courts"] == [None]

    def test_levels_and_shapes_come_back_as_they_were_heard(self, film, ear):
        listen(film)
        onsets = listening_learn.onsets_of(Hearing.objects.get())
        assert np.allclose(onsets.t, ear["heard"].onsets.t)
        assert np.allclose(onsets.shape, ear["heard"].onsets.shape)
        assert np.allclose(onsets.level_db, -20)
        assert np.allclose(onsets.strength, 1)
        assert len(listening_learn.onsets_of(Hearing(hits=[[1.0, "racket", 0.5]])).t) == 0

    def test_the_real_lesson_is_taken(self, chain, film, ear):
        kept = rallies.learn(CourtSound.usual(), heard(*SPANS), [SPANS[0]], [SPANS[1]])
        assert isinstance(kept, CourtSound)


class TestOfItsOwnAccord:
    def test_a_film_that_has_become_ready_is_heard(self, chain, tmp_path, django_capture_on_commit_callbacks):
        moving.agree(chain.match)
        path = tmp_path / "court.webm"
        sound = sounding.clicks([0.3], 1.0)
        footage.write_webm((moving.frame(n) for n in range(10)), 10, sound, 48_000, path)
        film = stored.arrived(chain.match, path.read_bytes())
        with django_capture_on_commit_callbacks(execute=True):
            stored.do_all()
        assert Job.objects.get(kind="film.listen").state == "done"
        assert Hearing.objects.get(film=film).verdict == "useless"
        assert listening.job_of(film).state == "done"


def test_the_demos_sound_is_heard_in_its_film_as_it_was_drawn(chain, tmp_path, monkeypatch):
    """The whole way with the real ear: what comes out of the film is what the ear hears in the sound itself."""
    from reports.demo.scene import SEED
    from reports.demo.scene_frames import scene_of
    from reports.demo.scene_sound import RATE as AS_DRAWN
    from reports.demo.scene_sound import sound_of

    moving.agree(chain.match)
    Rally.objects.all().delete()
    sound = sound_of(scene_of(SEED)[0])
    seconds = len(sound) / AS_DRAWN
    path = tmp_path / "demo.webm"
    pictures = (np.full((32, 48, 3), 90, np.uint8) for _ in range(int(2 * seconds)))
    footage.write_webm(pictures, 2, sound, AS_DRAWN, path)
    film = stored.stored(chain.match, path.read_bytes(), duration_s=seconds, audio_codec="opus")
    given = []
    monkeypatch.setattr(
        film_jobs_listen, "listen", lambda bands, court=None: given.append(bands) or rallies.listen(bands)
    )
    assert listen(film).state == "done"
    ear = Ear(AS_DRAWN)
    ear.hear(sound)
    drawn = find_onsets(ear.bands())
    heard_in_film = find_onsets(given[0])
    loud = drawn.t[drawn.level_db > np.quantile(drawn.level_db, 0.5)]
    near = np.abs(heard_in_film.t[None, :] - loud[:, None]).min(axis=1)
    assert len(loud) > 100
    assert np.mean(near < 0.01) > 0.97
    direct, hearing = rallies.listen(ear.bands()), Hearing.objects.get()
    # Its dead time was cut out: it plays as much as two courts at once, and is clear all the same.
    assert hearing.verdict == direct.verdict == "good"
    assert np.median([rally.confidence for rally in direct.rallies]) > 0.7
    assert len(spans(hearing)) == pytest.approx(len(direct.rallies), abs=0.1 * len(direct.rallies))
