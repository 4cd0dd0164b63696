"""What becomes of bytes that have come: named by content, kept as they are, made playable, or refused with a reason."""

import errno
import zipfile
from io import BytesIO

import pytest
from django.core.exceptions import ValidationError

from clubcoach import jobs
from clubcoach.models import Job
from players.models import FilmConsent
from sessions import film_jobs, film_jobs_make, film_store, footage, services
from sessions.models import Film
from sessions.services import film_care
from tests import factories as make
from tests.sessions import moving, stored
from tests.sessions.stored import arrived, do_all, files, lost, orphans

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def playable(tmp_path_factory):
    path = tmp_path_factory.mktemp("playable") / "court.webm"
    footage.write_webm((moving.frame(n) for n in range(2 * stored.FPS)), stored.FPS, None, 48_000, path)
    return path.read_bytes()


@pytest.fixture(scope="module")
def unplayable_path(tmp_path_factory):
    return stored.write_mkv(tmp_path_factory.mktemp("unplayable") / "court.mkv")


@pytest.fixture(scope="module")
def unplayable(unplayable_path):
    return unplayable_path.read_bytes()


@pytest.fixture
def agreed(chain):
    moving.agree(chain.match)
    return chain


@pytest.fixture
def commits(django_capture_on_commit_callbacks):
    """What is to happen once rows are written happens."""
    return lambda: django_capture_on_commit_callbacks(execute=True)


@pytest.fixture
def pieces(monkeypatch):
    """Pieces of a second, and which of them were made."""
    made = []
    real = footage.make_piece

    def make_piece(path, start_s, end_s, out, **wish):
        made.append(start_s)
        return real(path, start_s, end_s, out, **wish)

    monkeypatch.setattr(film_jobs_make, "PIECE_S", 1.0)
    monkeypatch.setattr(footage, "make_piece", make_piece)
    return made


def work(kind):
    return moving.work(kind)


class TestRead:
    def test_what_browsers_play_is_kept_as_it_came(self, agreed, playable, commits):
        film = arrived(agreed.match, playable)
        with commits():
            assert work("film.read") == 1
        film.refresh_from_db()
        assert film.state == "ready"
        assert film.file.name == f"films/{film.club_id}/{film.digest}.webm"
        assert (film.original.name, film.served, film.size) == ("", film.digest, len(playable))
        assert files() == [film.file.name]
        assert film_store.path_of(film.file.name).read_bytes() == playable
        assert film.duration_s == pytest.approx(2, abs=0.1)
        assert Job.objects.get(kind="film.strip").state == "waiting"

    def test_what_they_do_not_is_named_and_waits_for_its_copy(self, agreed, unplayable, commits):
        film = arrived(agreed.match, unplayable, "court.mkv")
        with commits():
            assert work("film.read") == 1
        film.refresh_from_db()
        assert (film.state, film.file.name, film.served) == ("making", "", "")
        assert film.original.name == f"films/{film.club_id}/{film.digest}.mkv"
        assert files() == [film.original.name]
        assert Job.objects.get(kind="film.make").state == "waiting"

    def test_the_same_content_twice_in_one_match_the_first_stays(self, agreed, playable, commits):
        first, second = arrived(agreed.match, playable), arrived(agreed.match, playable, "copy.webm")
        with commits():
            assert work("film.read") == 2
        first.refresh_from_db()
        second.refresh_from_db()
        assert first.state == "ready"
        assert (second.state, second.file.name, second.original.name) == ("refused", "", "")
        assert second.problem == "This film is here already, in the same match."
        assert files() == [first.file.name]

    def test_the_same_content_in_two_matches_is_one_file_and_read_once(
        self, agreed, playable, commits, monkeypatch
    ):
        other = make.make_match(agreed.cast.club, [agreed.cast.ana, None, None, None])
        first = arrived(agreed.match, playable)
        with commits():
            do_all()
        second = arrived(other, playable, "again.webm")
        with commits():
            do_all()
        first.refresh_from_db()
        second.refresh_from_db()
        assert (second.state, second.file.name, second.strip) == ("ready", first.file.name, first.strip)
        assert film_store.used(agreed.cast.club) == len(playable)
        with commits():
            services.remove_film(by=agreed.cast.head_coach, film=first, although_open=True)
        assert lost() == []
        assert second.file.name in files()
        assert any(name.startswith("strips/") for name in files())
        with commits():
            services.remove_film(by=agreed.cast.head_coach, film=second)
        assert files() == []

    def test_a_film_from_before_there_was_a_place_for_arrivals(self, agreed, playable, commits):
        film = arrived(agreed.match, playable)
        old = film_store.path_of(f"films/{film.uuid}.webm")
        old.parent.mkdir()
        film_store.path_of(film.original.name).rename(old)
        Film.objects.update(file=f"films/{film.uuid}.webm", original="")
        with commits():
            assert work("film.read") == 1
        film.refresh_from_db()
        assert film.state == "ready"
        assert files() == [film.file.name] == [f"films/{film.club_id}/{film.digest}.webm"]

    def test_a_disk_without_second_names(self, agreed, playable, commits, monkeypatch):
        def link(*args):
            raise OSError(errno.EXDEV, "another disk")

        monkeypatch.setattr("os.link", link)
        film = arrived(agreed.match, playable)
        with commits():
            assert work("film.read") == 1
        film.refresh_from_db()
        assert files() == [film.file.name]
        assert film_store.path_of(film.file.name).read_bytes() == playable

    def test_a_full_disk_is_said_and_tried_again(self, agreed, playable, commits, monkeypatch):
        def copy(*args):
            raise OSError(errno.ENOSPC, "No space left on device")

        film = arrived(agreed.match, playable)
        with monkeypatch.context() as patch:
            patch.setattr("os.link", copy)
            assert work("film.read") == 0
        film.refresh_from_db()
        job = Job.objects.get(kind="film.read")
        assert (film.state, job.state) == ("arrived", "failed")
        assert job.note == "The disk is full. What is here stays; try again once there is room."
        assert files() == [film.original.name]
        with commits():
            services.again_film(by=agreed.cast.assistant, film=film)
            do_all()
        film.refresh_from_db()
        assert film.state == "ready"

    def test_too_heavy_today_may_do_tomorrow(self, agreed, playable, commits, monkeypatch):
        def heavy(*args, **kwargs):
            raise footage.FilmError("too_heavy", footage.MESSAGES["too_heavy"])

        film = arrived(agreed.match, playable)
        with monkeypatch.context() as patch, commits():
            patch.setattr(footage, "probe", heavy)
            assert work("film.read") == 1
        film.refresh_from_db()
        assert (film.state, files()) == ("refused", [film.original.name])
        with commits():
            services.again_film(by=agreed.cast.assistant, film=film)
            assert work("film.read") == 1
        film.refresh_from_db()
        assert (film.state, film.problem) == ("ready", "")


def zipped():
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        file.writestr("film.mp4", b"0" * 5000)
    return out.getvalue()


def sound_only(tmp_path):
    import av
    import numpy as np

    path = tmp_path / "sound.mkv"
    with av.open(str(path), "w", format="matroska") as film:
        voice = film.add_stream("libopus", rate=48_000, layout="mono")
        for n in range(50):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 960), np.float32), format="flt", layout="mono")
            frame.rate, frame.pts = 48_000, n * 960
            film.mux(voice.encode(frame))
        film.mux(voice.encode(None))
    return path.read_bytes()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "The file is empty"),
        (zipped(), "not a film"),
        (b"#EXTM3U\n#EXTINF:10,\n/etc/passwd\n", "not a film"),
        (b"\x1a\x45\xdf\xa3" + b"0" * 4000, "damaged"),
        (b"\x00\x00\x00\x18ftypmp42" + b"\x00" * 4000, ""),
        ("sound", "sound but no picture"),
    ],
    ids=["empty", "zip", "playlist", "broken webm", "broken mp4", "only sound"],
)
def test_bad_bytes_end_in_words_and_nothing_else_suffers(agreed, playable, commits, tmp_path, content, words):
    data = sound_only(tmp_path) if content == "sound" else content
    (tmp_path / "sound.mkv").unlink(missing_ok=True)
    bad = arrived(agreed.match, data, "court.mp4")
    good = arrived(agreed.match, playable)
    with commits():
        assert work("film.read") == 2
    bad.refresh_from_db()
    good.refresh_from_db()
    assert (bad.state, bad.original.name, bad.file.name) == ("refused", "", "")
    assert words in bad.problem
    assert bad.problem
    assert good.state == "ready"
    assert files() == [good.file.name]
    with pytest.raises(ValidationError, match="upload it again"):
        services.again_film(by=agreed.cast.assistant, film=bad)


def test_bytes_that_are_not_there(agreed, commits):
    film = arrived(agreed.match, b"x")
    film_store.path_of(film.original.name).unlink()
    with commits():
        assert work("film.read") == 1
    film.refresh_from_db()
    assert (film.state, film.problem) == ("refused", "The film's file is not there any more.")
    assert lost() == []


@pytest.fixture
def making(agreed, unplayable, commits):
    """A film of which a copy is to be made."""
    film = arrived(agreed.match, unplayable, "court.mkv")
    with commits():
        assert work("film.read") == 1
    film.refresh_from_db()
    agreed.film = film
    return agreed


class TestMake:
    def test_piece_by_piece_frame_by_frame(self, making, unplayable_path, pieces, commits):
        original = making.film.original.name
        with commits():
            assert work("film.make") == 1
        film = Film.objects.get(pk=making.film.pk)
        assert pieces == [0.0, 1.0, 2.0]
        assert (film.state, film.original.name) == ("ready", "")
        assert film.file.name == f"films/{film.club_id}/{film.served}.webm"
        assert film.served == film_store.digest_of(film_store.path_of(film.file.name)) != film.digest
        assert film.size == film_store.path_of(film.file.name).stat().st_size
        assert files() == [film.file.name]
        assert original not in files()
        assert moving.follows(
            moving.frames_of(film_store.path_of(film.file.name)), moving.frames_of(unplayable_path), 0, 25
        )
        assert moving.sound_of(film_store.path_of(film.file.name))[0] == "opus"
        assert (film.width, film.height) == (moving.WIDTH, moving.HEIGHT)
        assert Job.objects.get(kind="film.strip").state == "waiting"

    def test_after_its_time_the_next_job_goes_on_and_others_get_their_turn(
        self, making, pieces, commits, monkeypatch
    ):
        monkeypatch.setattr(film_jobs_make, "BUDGET_S", 0.0)
        with commits():
            assert work("film.make") == 1
        waiting = Job.objects.get(kind="film.make", state="waiting")
        assert (pieces, waiting.note[:5], waiting.progress) == ([0.0], "Made ", 38)
        other = jobs.enqueue("film.tidy", key="film.tidy")
        with commits():
            assert work("film.make") == 1
        assert pieces == [0.0, 1.0]
        assert Job.objects.get(kind="film.make", state="waiting").pk > other.pk, (
            "what was asked for comes first"
        )
        with commits():
            assert work("film.make") == 1
        assert pieces == [0.0, 1.0, 2.0]
        assert Film.objects.get(pk=making.film.pk).state == "ready"

    def test_pieces_that_are_whole_are_not_made_again_after_a_kill(
        self, making, pieces, commits, monkeypatch
    ):
        class Killed(BaseException):
            pass

        counted = footage.make_piece

        def die(path, start_s, *rest, **wish):
            if start_s == 2.0:
                raise Killed
            return counted(path, start_s, *rest, **wish)

        with monkeypatch.context() as patch:
            patch.setattr(footage, "make_piece", die)
            with pytest.raises(Killed):
                work("film.make")
        stored.give_up_leases()
        with commits():
            do_all()
        assert pieces == [0.0, 1.0, 2.0]
        assert Film.objects.get(pk=making.film.pk).state == "ready"
        assert (orphans(), lost()) == ([], [])

    def test_a_pause_is_noticed_inside_a_piece_and_gone_on_with(self, making, pieces, commits, monkeypatch):
        counted = footage.make_piece

        def pause_inside(path, start_s, end_s, out, *, tell, **wish):
            if start_s == 1.0:
                services.pause_film(by=making.cast.assistant, film=making.film)
                monkeypatch.setattr(film_jobs.Telling, "EVERY_S", 0.0)
                tell(0.5)
                raise AssertionError("went on after the pause")
            return counted(path, start_s, end_s, out, tell=tell, **wish)

        with monkeypatch.context() as patch:
            patch.setattr(footage, "make_piece", pause_inside)
            assert work("film.make") == 0
        film = Film.objects.get(pk=making.film.pk)
        assert film.state == "paused"
        assert not film_care.work_on(film).filter(state__in=["waiting", "running"]).exists()
        assert not work("film.make")
        with commits():
            services.resume_film(by=making.cast.assistant, film=film)
            do_all()
        film.refresh_from_db()
        assert film.state == "ready"
        assert pieces == [0.0, 1.0, 2.0]

    def test_called_off_and_tried_again(self, making, pieces, commits):
        folder = film_store.making_of(making.film)
        folder.mkdir(parents=True)
        (folder / "0.webm").write_bytes(b"half of something")
        with commits():
            film = services.cancel_film(by=making.cast.assistant, film=making.film)
        assert (film.state, files()) == ("refused", [film.original.name])
        assert "called this off" in film.problem
        assert not work("film.make")
        with commits():
            services.again_film(by=making.cast.assistant, film=film)
            do_all()
        film.refresh_from_db()
        assert (film.state, film.problem) == ("ready", "")
        assert (orphans(), lost()) == ([], [])

    @pytest.mark.parametrize("how", ["child", "folder"])
    def test_a_full_disk_stops_it_with_words_until_somebody_resumes(
        self, making, pieces, commits, monkeypatch, how
    ):
        def full(*args, **kwargs):
            if how == "child":
                raise footage.FilmError("no_room", footage.MESSAGES["no_room"])
            raise OSError(errno.ENOSPC, "No space left on device")

        with monkeypatch.context() as patch:
            patch.setattr(footage, "make_piece", full)
            assert work("film.make") == 1
        film = Film.objects.get(pk=making.film.pk)
        assert film.state == "paused"
        assert film.problem == "The disk is full. What is here stays; try again once there is room."
        with commits():
            services.resume_film(by=making.cast.assistant, film=film)
            do_all()
        film.refresh_from_db()
        assert (film.state, film.problem) == ("ready", "")

    def test_a_film_that_turns_out_broken_keeps_its_bytes_for_another_try(
        self, making, pieces, commits, monkeypatch
    ):
        def broken(*args, **kwargs):
            raise footage.FilmError("broken", footage.MESSAGES["broken"])

        with monkeypatch.context() as patch, commits():
            patch.setattr(footage, "make_piece", broken)
            assert work("film.make") == 1
        film = Film.objects.get(pk=making.film.pk)
        assert (film.state, film.problem) == ("refused", "The film cannot be read: the file is damaged.")
        with commits():
            services.again_film(by=making.cast.assistant, film=film)
            do_all()
        film.refresh_from_db()
        assert film.state == "ready"

    def test_a_copy_of_another_length_is_not_served(self, making, pieces, commits):
        Film.objects.filter(pk=making.film.pk).update(duration_s=4.2)
        with commits():
            assert work("film.make") == 1
        film = Film.objects.get(pk=making.film.pk)
        assert film.state == "refused"
        assert "instead of 4 s" in film.problem
        assert files() == [film.original.name]

    def test_not_without_everybody_s_consent(self, making, pieces, commits):
        FilmConsent.objects.all().delete()
        assert work("film.make") == 1
        film = Film.objects.get(pk=making.film.pk)
        assert (film.state, pieces) == ("paused", [])
        assert "consent" in film.problem

    def test_two_films_of_one_content_wait_for_one_copy(self, making, unplayable, pieces, commits):
        other = make.make_match(making.cast.club, [making.cast.ana, None, None, None])
        second = arrived(other, unplayable, "court.mkv")
        with commits():
            assert work("film.read") == 1
        second.refresh_from_db()
        assert second.original.name == making.film.original.name
        with commits():
            do_all()
        second.refresh_from_db()
        assert second.state == "ready"
        assert second.file.name == Film.objects.get(pk=making.film.pk).file.name
        assert pieces == [0.0, 1.0, 2.0]
        assert (orphans(), lost()) == ([], [])

    def test_a_half_that_came_is_made_of_what_can_be_read(self, agreed, playable, pieces, commits):
        film = arrived(agreed.match, playable[: len(playable) * 2 // 3])
        with commits():
            do_all()
        film.refresh_from_db()
        assert film.state == "ready", film.problem
        assert "The end of the film is missing" in film.remark
        assert 0.5 < film.duration_s < 2
        assert film.served != film.digest


class TestWords:
    def test_how_far_and_how_long(self, monkeypatch):
        clock = [100.0]
        monkeypatch.setattr(film_jobs_make.time, "monotonic", lambda: clock[0])
        progress = film_jobs_make._Progress(600.0, 3600.0)
        assert progress.words(600 / 3600) == "Made 10 of 60 min"
        clock[0] += 60
        assert progress.words(720 / 3600) == "Made 12 of 60 min, about 24 min left"
        clock[0] += 3
        assert progress.words(3590 / 3600) == "Made 59 of 60 min, about 1 min left"


class TestStrip:
    def test_pictures_evenly_and_a_large_one(self, agreed, playable, commits):
        film = arrived(agreed.match, playable)
        with commits():
            do_all()
        film.refresh_from_db()
        assert film.strip == [0.5, 1.5]
        folder = f"strips/{film.club_id}/{film.digest}"
        assert [name for name in files() if name.startswith("strips")] == [
            f"{folder}-1500.jpg",
            f"{folder}-500-large.jpg",
            f"{folder}-500.jpg",
        ]
        import cv2
        import numpy as np

        picture = film_store.strip_path(film, 0.5).read_bytes()
        seen = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)[:, :, ::-1]
        assert seen.shape == (moving.HEIGHT, moving.WIDTH, 3)
        assert moving.likeness(seen.astype(float), moving.frame(5).astype(float)) > 20

    def test_how_many(self):
        assert len(film_jobs_make.strip_times(3600)) == 40
        assert film_jobs_make.strip_times(3600)[0] == 45
        assert film_jobs_make.strip_times(0.4) == [0.2]
        times = film_jobs_make.strip_times(33.3)
        assert times == sorted(set(times))
        assert 0 < times[0] < times[-1] < 33.3

    def test_none_without_consent_also_when_it_goes_meanwhile(self, agreed, playable, commits, monkeypatch):
        film = arrived(agreed.match, playable)
        with commits():
            work("film.read")
        real = footage.stills

        def withdraw(*args, **kwargs):
            FilmConsent.objects.all().delete()
            return real(*args, **kwargs)

        monkeypatch.setattr(footage, "stills", withdraw)
        with commits():
            assert work("film.strip") == 1
        film.refresh_from_db()
        assert film.strip == []
        assert files() == [film.file.name]
