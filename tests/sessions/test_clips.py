"""Clips: exact to the frame, cut once, gone with a consent, and nothing left half made."""

import os
import threading
import time
from datetime import date, timedelta

import cv2
import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import Job
from players.models import FilmConsent
from players.services import withdraw_consent
from sessions import clips, film_jobs, footage, stills
from sessions.models import Clip, Film, MatchFilm
from tests import factories as make
from tests.sessions import moving
from tests.sessions.moving import FPS, add_film, agree, follows, frames_of, kept, publish, sound_of, work

pytestmark = pytest.mark.django_db
RUN_OUT = date(2026, 1, 1)


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    return moving.write(tmp_path_factory.mktemp("moving") / "court.webm")


@pytest.fixture(scope="module")
def film_frames(source):
    frames = frames_of(source)
    assert len(frames) == moving.SECONDS * FPS
    assert moving.every_frame_differs(frames), "a film that stands still proves nothing"
    return frames


def set_up(chain, source):
    chain.film = add_film(chain.match, source)
    agree(chain.match)
    chain.situation = chain.see(hit_s=8.0, marks={"L2": "met"})
    chain.close()
    publish(chain.analysis)
    return chain


@pytest.fixture
def filmed(chain, source):
    """A published situation of Ana at 8 s of a film of 16 s, in which everybody agreed to be."""
    return set_up(chain, source)


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(footage, "cut", moving.cut_quickly)


def look(chain, person=None, situation=None):
    return clips.clip_of(situation=situation or chain.situation, by=person or chain.cast.student)


def cut(chain, situation=None):
    """Looked at, cut, and looked at again."""
    look(chain, situation=situation)
    assert work() == 1
    clip = look(chain, situation=situation)
    assert clip.state == "ready"
    return clip


def file_of(clip):
    return clips.path_of(clip.digest)


def withdraw(chain, capture):
    with capture(execute=True):
        withdraw_consent(by=chain.cast.student, player=chain.cast.ana)


class TestFrames:
    def test_six_seconds_frame_by_frame(self, filmed, film_frames):
        clip = cut(filmed)
        frames = frames_of(file_of(clip))
        assert (clip.from_s, clip.to_s) == (5.0, 11.0)
        assert len(frames) == clip.frames == 6 * FPS
        assert follows(frames, film_frames, 5 * FPS)

    @pytest.mark.parametrize("off", [-1, 1])
    def test_one_frame_off_would_be_noticed(self, filmed, film_frames, monkeypatch, off):
        real = footage.cut
        monkeypatch.setattr(
            footage,
            "cut",
            lambda path, start, end, *a, **kw: real(path, start + off / FPS, end + off / FPS, *a, **kw),
        )
        frames = frames_of(file_of(cut(filmed)))
        assert len(frames) == 6 * FPS
        assert not follows(frames, film_frames, 5 * FPS)
        assert follows(frames, film_frames, 5 * FPS + off)

    def test_a_hit_between_two_frames_begins_with_the_one_on_the_screen(self, filmed, film_frames):
        clip = cut(filmed, filmed.see(hit_s=8.013))
        frames = frames_of(file_of(clip))
        assert len(frames) == 6 * FPS + 1
        assert follows(frames, film_frames, 5 * FPS)

    def test_frames_between_whole_milliseconds(self, filmed, tmp_path):
        path = moving.write(tmp_path / "thirty.webm", fps=30, seconds=12)
        MatchFilm.objects.all().delete()
        add_film(filmed.match, path, digest="30")
        clip = cut(filmed, filmed.see(hit_s=241 / 30))
        frames = frames_of(file_of(clip))
        assert len(frames) == clip.frames == 180
        assert follows(frames, frames_of(path), 151)

    @pytest.mark.parametrize(
        ("hit_s", "first", "count"), [(1.0, 0, 100), (0.0, 0, 75), (14.0, 275, 125), (15.96, 324, 76)]
    )
    def test_the_ends_of_the_film(self, filmed, film_frames, hit_s, first, count):
        clip = cut(filmed, filmed.see(hit_s=hit_s))
        frames = frames_of(file_of(clip))
        assert len(frames) == clip.frames == count
        assert follows(frames, film_frames, first)

    def test_two_films_of_a_match(self, filmed, film_frames, source):
        later = add_film(filmed.match, source, offset_s=100.0, digest="e")
        clip = cut(filmed, filmed.see(hit_s=105.0))
        assert (clip.film, clip.from_s, clip.to_s) == (later, 2.0, 8.0)
        assert follows(frames_of(file_of(clip)), film_frames, 50)
        assert look(filmed, filmed.cast.assistant, filmed.see(hit_s=50.0)) is None
        assert cut(filmed).film == filmed.film

    def test_lower_than_the_film(self, filmed, film_frames, monkeypatch):
        monkeypatch.setattr(clips, "TALLEST", 48)
        frames = frames_of(file_of(cut(filmed)))
        assert frames[0].shape == (48, 80, 3)
        small = [
            cv2.resize(frame.astype("float32"), (80, 48), interpolation=cv2.INTER_AREA)
            for frame in film_frames
        ]
        assert follows(frames, small, 5 * FPS, least=20)
        assert not follows(frames, small, 5 * FPS + 1, least=20)

    def test_the_sound_comes_along_at_its_time(self, filmed):
        codec, sound = sound_of(file_of(cut(filmed)))
        assert codec in ("opus", "libopus")
        assert (abs(sound) > 0.2).argmax() / 48_000 == pytest.approx(3.0, abs=0.01)
        assert footage.probe(file_of(Clip.objects.get())).video_codec == "vp9"


@pytest.mark.usefixtures("quick")
class TestOnce:
    def test_the_first_look_asks_for_it(self, filmed):
        clip = look(filmed)
        assert (clip.state, clip.film, clip.frames) == ("waiting", filmed.film, 0)
        job = Job.objects.get(kind="clip.cut")
        assert (job.club, job.asked_by, job.args) == (
            filmed.cast.club,
            filmed.cast.student,
            {"digest": clip.digest},
        )
        assert look(filmed) == look(filmed, filmed.cast.head_coach) == clip
        assert Job.objects.filter(kind="clip.cut").count() == 1

    def test_looks_and_jobs_after_that_do_nothing(self, filmed, settings, monkeypatch):
        clip = cut(filmed)
        before = file_of(clip).stat().st_mtime_ns
        monkeypatch.setattr(footage, "cut", lambda *a, **kw: pytest.fail("cut again"))
        jobs.enqueue("clip.cut", digest=clip.digest)
        assert work() == 1
        assert look(filmed).state == "ready"
        assert file_of(clip).stat().st_mtime_ns == before
        assert kept(settings) == [f"{clip.digest}.webm"]
        assert clip.size == file_of(clip).stat().st_size
        assert not Job.objects.filter(kind="clip.cut", state="waiting").exists()

    def test_its_name_follows_from_what_is_in_it(self, filmed, source, monkeypatch):
        def name(situation=filmed.situation):
            return clips.place_of(situation).digest

        first = name()
        assert name(filmed.see(hit_s=8.0)) == first
        assert name(filmed.see(hit_s=8.001)) != first
        MatchFilm.objects.all().delete()
        add_film(filmed.match, source, digest="other")
        assert name() != first
        MatchFilm.objects.update(film=filmed.film)
        assert name() == first
        monkeypatch.setattr(clips, "RECIPE", 99)
        assert name() != first

    def test_a_file_that_is_gone_is_cut_again(self, filmed):
        clip = cut(filmed)
        whole = file_of(clip).read_bytes()
        file_of(clip).unlink()
        assert look(filmed).state == "waiting"
        assert look(filmed).state == "waiting"
        assert work() == 1
        assert look(filmed).state == "ready"
        assert file_of(clip).read_bytes() == whole

    def test_a_waiting_clip_that_nobody_works_at_gets_a_job(self, filmed):
        clip = look(filmed)
        Job.objects.all().delete()
        assert look(filmed).state == "waiting"
        assert work() == 1
        assert look(filmed).pk == clip.pk
        assert look(filmed).state == "ready"

    def test_no_film(self, chain):
        chain.situation = chain.see(hit_s=8.0)
        assert look(chain, chain.cast.assistant) is None
        assert clips.try_again(situation=chain.situation, by=chain.cast.assistant) is None
        assert not Clip.objects.exists()
        assert not Job.objects.exists()

    @pytest.mark.parametrize("state", ["arrived", "refused"])
    def test_a_film_that_is_not_ready(self, filmed, state):
        Film.objects.update(state=state)
        assert look(filmed) is None

    @pytest.mark.parametrize("who", ["guardian", "manager", "stranger"])
    def test_not_for_anybody(self, filmed, who):
        with pytest.raises(PermissionDenied):
            look(filmed, getattr(filmed.cast, who))
        assert not Clip.objects.exists()


class TestFailure:
    def damage(self, chain):
        with open(chain.film.file.path, "r+b") as film:
            film.truncate(chain.film.size // 2)

    def test_the_sentence_stays_and_looks_do_not_ask_again(self, filmed, settings):
        self.damage(filmed)
        look(filmed)
        assert work() == 1
        clip = look(filmed)
        assert (clip.state, clip.problem) == ("failed", str(footage.MESSAGES["cut_short"]))
        assert look(filmed).state == "failed"
        assert not Job.objects.filter(state="waiting", kind="clip.cut").exists()
        assert kept(settings) == []

    def test_try_again(self, filmed, source):
        self.damage(filmed)
        look(filmed)
        work()
        with open(filmed.film.file.path, "wb") as film:
            film.write(source.read_bytes())
        again = clips.try_again(situation=filmed.situation, by=filmed.cast.student)
        assert (again.state, again.problem) == ("waiting", "")
        assert clips.try_again(situation=filmed.situation, by=filmed.cast.student).state == "waiting"
        assert work() == 1
        assert look(filmed).state == "ready"
        assert clips.try_again(situation=filmed.situation, by=filmed.cast.student).state == "ready"

    def test_a_worker_that_fails_each_time(self, filmed, quick, monkeypatch):
        def fail(*args, **kwargs):
            raise RuntimeError("the reader of films failed")

        look(filmed)
        with monkeypatch.context() as patched:
            patched.setattr(footage, "cut", fail)
            for _ in range(3):
                work()
        assert Job.objects.get(kind="clip.cut").state == "failed"
        clip = look(filmed)
        assert clip.state == "failed"
        assert "tried 3 times" in clip.problem
        look(filmed)
        assert Job.objects.filter(kind="clip.cut").count() == 1
        clips.try_again(situation=filmed.situation, by=filmed.cast.student)
        assert work() == 1
        assert look(filmed).state == "ready"

    def test_it_is_told_how_far_it_is_and_the_lease_is_renewed(self, filmed, quick, monkeypatch):
        real, seen = footage.cut, []

        def slowly(*args, tell, **kwargs):
            Job.objects.update(lease_until=timezone.now() + timedelta(seconds=1))
            tell(0.42)
            job = Job.objects.get(kind="clip.cut")
            seen.append((job.progress, job.note, job.lease_until > timezone.now() + timedelta(seconds=30)))
            return real(*args, tell=tell, **kwargs)

        monkeypatch.setattr(footage, "cut", slowly)
        cut(filmed)
        assert seen == [(42, "Cutting the piece out of the film", True)]

    def test_a_job_that_was_taken_away_leaves_nothing(self, filmed, quick, monkeypatch, settings):
        real = footage.cut

        def stopped(*args, **kwargs):
            frames = real(*args, **kwargs)
            Job.objects.update(attempt=9)
            return frames

        monkeypatch.setattr(footage, "cut", stopped)
        look(filmed)
        assert work() == 0
        assert Clip.objects.get().state == "waiting"
        assert kept(settings) == []

    def test_what_a_killed_job_left_is_swept_by_a_later_one(self, filmed, quick, settings):
        clip = cut(filmed)
        old, young = "a" * 64, "b" * 64
        for name in (
            f"{old}.1f.part",
            f"{old}.1f",
            f"{old}.webm",
            f"{clip.digest}.2e.part",
            f"{young}.3d.part",
        ):
            (clips.folder() / name).write_bytes(b"half")
        two_days_ago = time.time() - 2 * 24 * 3600
        for path in clips.folder().iterdir():
            if not path.name.startswith(young):
                os.utime(path, (two_days_ago, two_days_ago))
        jobs.enqueue("clip.cut", digest=clip.digest)
        assert work() == 1
        assert kept(settings) == sorted([f"{clip.digest}.webm", f"{young}.3d.part"])

    def test_a_killed_job_is_taken_over(self, filmed, quick, settings):
        clip = look(filmed)
        job = jobs.claim(Job.objects.get(kind="clip.cut").pk)
        Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
        assert jobs.run_due() >= 1
        assert look(filmed).state == "ready"
        assert kept(settings) == [f"{clip.digest}.webm"]


@pytest.mark.usefixtures("quick")
class TestConsent:
    def change(self, chain, how):
        if how == "withdrawn":
            FilmConsent.objects.filter(player=chain.cast.dan).update(withdrawn_at=timezone.now())
        elif how == "ended":
            FilmConsent.objects.filter(player=chain.cast.dan).update(expires_on=RUN_OUT)
        else:
            chain.match.seats.filter(position=4).update(visitor_consent=False)

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_none_is_made_without_everybody_s(self, filmed, how):
        self.change(filmed, how)
        with pytest.raises(PermissionDenied, match="withdrawn their consent"):
            look(filmed)
        assert not Clip.objects.exists()
        assert not Job.objects.filter(kind="clip.cut").exists()

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_nor_by_a_job_that_waited_meanwhile(self, filmed, how, monkeypatch, settings):
        look(filmed)
        self.change(filmed, how)
        monkeypatch.setattr(footage, "cut", lambda *a, **kw: pytest.fail("cut without consent"))
        assert work() == 1
        assert not Clip.objects.exists()
        assert kept(settings) == []

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_nor_kept_where_it_ended_while_it_was_cut(self, filmed, how, monkeypatch, settings):
        def meanwhile(*args, **kwargs):
            self.change(filmed, how)
            return moving.cut_quickly(*args, **kwargs)

        monkeypatch.setattr(footage, "cut", meanwhile)
        look(filmed)
        assert work() == 1
        assert not Clip.objects.exists()
        assert kept(settings) == []

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_nor_handed_out_once_it_is_there(self, filmed, how):
        cut(filmed)
        self.change(filmed, how)
        with pytest.raises(PermissionDenied):
            look(filmed)
        with pytest.raises(PermissionDenied):
            clips.try_again(situation=filmed.situation, by=filmed.cast.student)

    def test_a_piece_whose_row_went_and_was_not_asked_for_again(self, filmed, monkeypatch, settings):
        """Withdrawn and given again while it was cut: what comes of the first asking is nobody's."""

        def meanwhile(*args, **kwargs):
            Clip.objects.all().delete()
            return moving.cut_quickly(*args, **kwargs)

        monkeypatch.setattr(footage, "cut", meanwhile)
        look(filmed)
        assert work() == 1
        assert kept(settings) == []

    def test_everybody_in_all_matches_of_the_film(self, filmed):
        other = make.make_match(filmed.cast.club, [filmed.cast.cleo, None, None, None])
        MatchFilm.objects.create(match=other, film=filmed.film, offset_s=0)
        with pytest.raises(PermissionDenied):
            look(filmed)
        make.consent(filmed.cast.cleo)
        assert look(filmed).state == "waiting"

    @pytest.mark.parametrize("when", ["during", "after the last frame"])
    def test_one_that_is_withdrawn_while_it_is_cut(
        self, filmed, monkeypatch, settings, when, django_capture_on_commit_callbacks
    ):
        real, gone = footage.cut, []

        def meanwhile():
            if not gone:
                gone.append(1)
                withdraw(filmed, django_capture_on_commit_callbacks)

        def slowly(path, start, end, out, *, tell, **kwargs):
            if when == "during":
                # As the child leaves it: there is something under the name of the part already.
                (out.parent / f"{out.name}.part").write_bytes(b"half")
                meanwhile()
            frames = real(path, start, end, out, tell=tell, **kwargs)
            meanwhile()
            return frames

        monkeypatch.setattr(footage, "cut", slowly)
        look(filmed)
        work()
        assert gone
        assert not Clip.objects.exists()
        assert kept(settings) == []

    def test_one_that_is_withdrawn_under_the_hands_of_the_child(
        self, filmed, monkeypatch, settings, django_capture_on_commit_callbacks
    ):
        def taken(path, start, end, out, **kwargs):
            withdraw(filmed, django_capture_on_commit_callbacks)
            raise FileNotFoundError(out)

        monkeypatch.setattr(footage, "cut", taken)
        look(filmed)
        assert work() == 1
        assert not Clip.objects.exists()

    def test_one_that_is_withdrawn_afterwards(self, filmed, settings, django_capture_on_commit_callbacks):
        clip = cut(filmed)
        (clips.folder() / f"{clip.digest}.1f.part").write_bytes(b"of an attempt that was killed")
        withdraw(filmed, django_capture_on_commit_callbacks)
        assert not Clip.objects.exists()
        assert kept(settings) == []

    def test_rows_and_files_stay_when_the_withdrawal_fails(self, filmed, monkeypatch, settings):
        clip = cut(filmed)
        monkeypatch.setattr(stills, "drop_stills_of", lambda player: None)

        def fail(*args, **kwargs):
            raise RuntimeError("no")

        monkeypatch.setattr(clips, "drop", fail)
        with pytest.raises(RuntimeError):
            withdraw_consent(by=filmed.cast.student, player=filmed.cast.ana)
        assert kept(settings) == [f"{clip.digest}.webm"]
        assert look(filmed).state == "ready"

    def test_another_player_s_takes_nothing(self, filmed, settings, django_capture_on_commit_callbacks):
        clip = cut(filmed)
        make.consent(filmed.cast.cleo)
        with django_capture_on_commit_callbacks(execute=True):
            withdraw_consent(by=filmed.cast.all_in_one, player=filmed.cast.cleo)
        assert kept(settings) == [f"{clip.digest}.webm"]
        assert look(filmed).state == "ready"

    def test_the_same_film_under_two_matches(
        self, filmed, source, settings, django_capture_on_commit_callbacks
    ):
        """One file; whoever of either match withdraws takes it, since they are in its picture."""
        other = make.make_match(filmed.cast.club, [filmed.cast.cleo, None, None, None])
        agree(other)
        add_film(other, source)
        clip = cut(filmed)
        with django_capture_on_commit_callbacks(execute=True):
            withdraw_consent(by=filmed.cast.all_in_one, player=filmed.cast.cleo)
        assert not Clip.objects.filter(pk=clip.pk).exists()
        assert kept(settings) == []
        with pytest.raises(PermissionDenied):
            look(filmed)

    def test_given_again_it_is_made_again(self, filmed, django_capture_on_commit_callbacks):
        cut(filmed)
        withdraw(filmed, django_capture_on_commit_callbacks)
        make.consent(filmed.cast.ana)
        assert cut(filmed).state == "ready"

    def test_one_that_runs_out_takes_files_at_the_next_tidying(
        self, filmed, source, settings, django_capture_on_commit_callbacks
    ):
        clip = cut(filmed)
        stills.make(filmed.film, [8.0])
        other = make.make_match(filmed.cast.club, [filmed.cast.cleo, None, None, None])
        agree(other)
        film = add_film(other, source, digest="e")
        stills.make(film, [8.0])
        assert film_jobs.drop_without_consent() == 0
        assert len(kept(settings, "stills")) == 2
        later = timezone.now() + timedelta(days=2)
        FilmConsent.objects.filter(player=filmed.cast.dan).update(
            expires_on=filmed.cast.club.day_of(later) - timedelta(days=1)
        )
        with django_capture_on_commit_callbacks(execute=True):
            assert film_jobs.drop_without_consent(later) == 1
        assert not Clip.objects.filter(pk=clip.pk).exists()
        assert kept(settings) == []
        assert kept(settings, "stills") == [stills.path_at(film, 8.0).name]

    def test_the_tidying_comes_by_itself(self, filmed, django_capture_on_commit_callbacks):
        cut(filmed)
        FilmConsent.objects.update(expires_on=RUN_OUT)
        now = timezone.now()
        jobs.enqueue_regular(now)
        jobs.enqueue_regular(now + timedelta(hours=1))
        with django_capture_on_commit_callbacks(execute=True):
            assert work("film.tidy") == 1
        assert not Clip.objects.exists()
        jobs.enqueue_regular(now + timedelta(hours=1))
        assert not Job.objects.filter(kind="film.tidy", state="waiting").exists()
        jobs.enqueue_regular(now + timedelta(hours=7))
        assert Job.objects.filter(kind="film.tidy", state="waiting").count() == 1


@pytest.mark.usefixtures("quick")
class TestTwoAtOnce:
    @pytest.fixture
    def filmed(self, transactional_db, chain, source):
        return set_up(chain, source)

    def together(self, *calls):
        wrong = []

        def run(call):
            try:
                call()
            except Exception as error:
                wrong.append(error)
            finally:
                connection.close()

        threads = [threading.Thread(target=run, args=(call,)) for call in calls]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
        assert not wrong

    def test_two_jobs_write_one_file(self, filmed, monkeypatch, settings):
        clip = look(filmed)
        first = Job.objects.get(kind="clip.cut")
        second = Job.objects.create(kind="clip.cut", args={"digest": clip.digest}, key="another")
        real, gate, cuts = footage.cut, threading.Barrier(2), []

        def both(*args, **kwargs):
            frames = real(*args, **kwargs)
            cuts.append(gate.wait(30))
            return frames

        monkeypatch.setattr(footage, "cut", both)
        self.together(lambda: jobs.perform(first.pk), lambda: jobs.perform(second.pk))
        assert sorted(cuts) == [0, 1]
        assert look(filmed).state == "ready"
        assert kept(settings) == [f"{clip.digest}.webm"]
        assert set(Job.objects.filter(kind="clip.cut").values_list("state", flat=True)) == {"done"}

    def test_two_first_looks_make_one_row_and_one_job(self, filmed, monkeypatch):
        real, gate = clips._ask, threading.Barrier(2)

        def both(*args):
            gate.wait(30)
            return real(*args)

        monkeypatch.setattr(clips, "_ask", both)
        monkeypatch.setattr(jobs, "nudge", lambda job: None)
        seen = []
        self.together(*[lambda: seen.append(look(filmed).digest)] * 2)
        assert len(seen) == 2
        assert len(set(seen)) == 1
        assert Clip.objects.count() == 1
        assert Job.objects.filter(kind="clip.cut").count() == 1
