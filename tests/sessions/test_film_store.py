"""What lies on the disk: counted once, named by a row or swept away, whatever died in the middle."""

import time
from uuid import uuid4

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import AuditEvent, Club, Job
from sessions import film_jobs, film_jobs_make, film_store, film_sweep, footage, services, stills
from sessions.models import Film, Upload
from tests import factories as make
from tests.sessions import moving, stored
from tests.sessions.stored import arrived, do_all, files, later_s, lost, orphans

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def unplayable(tmp_path_factory):
    return stored.write_mkv(tmp_path_factory.mktemp("unplayable") / "court.mkv", sound=False).read_bytes()


@pytest.fixture
def agreed(chain):
    moving.agree(chain.match)
    return chain


@pytest.fixture
def commits(django_capture_on_commit_callbacks):
    return lambda: django_capture_on_commit_callbacks(execute=True)


class Killed(BaseException):
    """The process is gone at this line."""


class TestUsed:
    def test_each_file_once_in_every_state(self, agreed):
        club, match = agreed.cast.club, agreed.match
        assert film_store.used(club) == 0
        stored.stored(match, b"1" * 100)
        other = make.make_match(club, [agreed.cast.ana, None, None, None])
        twin = stored.stored(other, b"1" * 100)
        assert film_store.used(club) == 100
        waiting = arrived(match, b"2" * 30)
        assert film_store.used(club) == 130
        pieces = film_store.making_of(waiting)
        pieces.mkdir(parents=True)
        (pieces / "0.webm").write_bytes(b"3" * 7)
        assert film_store.used(club) == 137
        Upload.objects.create(club=club, match=match, by=agreed.cast.assistant, name="a.mp4", length=1000)
        assert film_store.used(club) == 1137
        Film.objects.filter(pk=twin.pk).update(
            state="gone", gone_at=timezone.now(), gone_why="hand", file="", original=""
        )
        assert film_store.used(club) == 1137
        Film.objects.filter(pk=waiting.pk).update(state="refused", original="")
        assert film_store.used(club) == 1100
        assert film_store.used(agreed.cast.other_club) == 0

    def test_the_command_says_how_much_a_club_may_keep(self, agreed, settings, capsys):
        stored.stored(agreed.match, size=3 * film_store.GB)
        call_command("film_quota", "seaside", "2")
        club = Club.objects.get(slug="seaside")
        assert film_store.quota(club) == 2 * film_store.GB
        said = capsys.readouterr().out
        assert "3.0 GB of 2.0 GB are taken." in said
        assert "new films are refused" in said
        assert AuditEvent.objects.get(action="club.changed").fields == ["film_quota_gb"]
        call_command("film_quota", "seaside", "default")
        assert film_store.quota(Club.objects.get(slug="seaside")) == settings.FILM_QUOTA_GB * film_store.GB

    @pytest.mark.parametrize(
        ("slug", "gb"), [("seaside", "0"), ("seaside", "much"), ("seaside", "-3"), ("no", "5")]
    )
    def test_the_command_refuses(self, agreed, slug, gb):
        with pytest.raises(CommandError):
            call_command("film_quota", slug, gb)
        assert Club.objects.get(slug="seaside").film_quota_gb is None


class TestSweep:
    def fill(self, agreed):
        """One of everything that rows name, and one of everything that they do not."""
        club, match = agreed.cast.club, agreed.match
        ready = stored.stored(match)
        waiting = arrived(match, b"waiting")
        working = arrived(match, b"working", digest="e" * 64)
        Film.objects.filter(pk=working.pk).update(state="making")
        upload = Upload.objects.create(
            club=club, match=match, by=agreed.cast.assistant, name="a.mp4", length=9
        )
        old = f"films/{uuid4()}.webm"
        before = Film(club=club, name="old", size=3, digest="f" * 64, state="ready", duration_s=3, file=old)
        before.save()
        digest = ready.digest
        named = {
            ready.file.name: b"\x1a\x45\xdf\xa3film",
            waiting.original.name: b"waiting",
            working.original.name: b"working",
            f"incoming/{upload.uuid.hex}": b"com",
            old: b"old",
            f"making/{working.uuid}/0.webm": b"piece",
            f"strips/{club.pk}/{digest}-500.jpg": b"small",
            f"strips/{club.pk}/{digest}-500-large.jpg": b"large",
            f"stills/{digest}-500.jpg": b"still",
            f"stills/{digest}-700.none": b"",
        }
        unnamed = [
            f"incoming/{uuid4().hex}",
            f"films/{club.pk}/{'9' * 64}.webm",
            f"films/{club.pk}/{uuid4().hex}.part",
            f"films/{uuid4()}.webm",
            "films/99999/x.webm",
            f"making/{ready.uuid}/0.webm",
            f"making/{uuid4()}/0.webm",
            "making/nonsense/0.webm",
            f"strips/{club.pk}/{'9' * 64}-500.jpg",
            f"strips/{agreed.cast.other_club.pk}/{digest}-500.jpg",
            f"strips/{club.pk}/{digest}-500.0123abcd",
            f"stills/{'9' * 64}-500.jpg",
        ]
        for name in [*named, *unnamed]:
            path = film_store.path_of(name)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(named.get(name, b"nobody's"))
        return sorted(named), len(unnamed)

    def test_what_no_row_names_goes_once_it_is_old(self, agreed):
        named, unnamed = self.fill(agreed)
        everything = files()
        assert film_sweep.sweep() == 0
        assert files() == everything, "what was written just now may be named in a moment"
        assert film_sweep.sweep(later_s()) == unnamed
        assert files() == named
        assert (orphans(), lost()) == ([], [])

    def test_one_that_is_named_between_the_two_looks_stays(self, agreed, monkeypatch):
        """A row is written after the names were read: the file is looked up once more before it goes."""
        film = stored.stored(agreed.match)
        arrival = arrived(agreed.match, b"late")
        names = {film.file.name, arrival.original.name}
        monkeypatch.setattr(film_sweep, "_names", set)
        film_sweep.sweep(later_s())
        assert names <= set(files())

    def test_an_empty_club_has_nothing_to_sweep(self, db, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path / "none"
        assert film_sweep.sweep() == 0


def finish_later():
    """Another worker comes, and the sweep an hour or two after it."""
    stored.give_up_leases()
    stored.age_all()


# Each line at which a process may die: what stands behind it is not done. The last ones are after the commit.
READ = ["digest_of", "second_name", "put", "hold", "let_go"]
MAKE = ["making_of", "digest_of", "second_name", "put", "hold", "let_go", "drop_pieces"]


class TestKilled:
    """The same with a real signal at random moments: test_film_killed_long.py."""

    @pytest.fixture
    def die_at(self, monkeypatch):
        def at(name, after):
            real = getattr(film_store, name)

            def dying(*args, **kwargs):
                if not after:
                    raise Killed
                real(*args, **kwargs)
                raise Killed

            patch = pytest.MonkeyPatch()
            patch.setattr(film_store, name, dying)
            return patch

        return at

    def survive(self, patch, commits, kind):
        """Die in the first try; what a commit was to bring about dies with it where it is what dies."""
        try:
            with commits():
                moving.work(kind)
        except Killed:
            pass
        else:
            pytest.fail("it did not die")
        finally:
            patch.undo()
        finish_later()
        with commits():
            do_all()
        stored.age_all()
        film_sweep.sweep()

    @pytest.mark.parametrize("after", [False, True])
    @pytest.mark.parametrize("line", READ)
    def test_reading(self, agreed, unplayable, commits, die_at, line, after, monkeypatch):
        monkeypatch.setattr(footage, "make_piece", quick_piece)
        monkeypatch.setattr(film_jobs_make, "_put_together", lambda *rest: None)
        film = arrived(agreed.match, unplayable, "court.mkv")
        self.survive(die_at(line, after), commits, "film.read")
        film.refresh_from_db()
        assert film.state == "making"
        assert (orphans(), lost()) == ([], [])
        assert film_store.path_of(film.original.name).read_bytes() == unplayable

    @pytest.mark.parametrize("after", [False, True])
    @pytest.mark.parametrize("line", MAKE)
    def test_making(self, agreed, unplayable, commits, die_at, line, after):
        film = arrived(agreed.match, unplayable, "court.mkv")
        with commits():
            moving.work("film.read")
        self.survive(die_at(line, after), commits, "film.make")
        film.refresh_from_db()
        assert film.state == "ready"
        assert (orphans(), lost()) == ([], [])
        assert len(moving.frames_of(film_store.path_of(film.file.name))) == 25

    @pytest.mark.parametrize("after", [False, True])
    @pytest.mark.parametrize("line", ["hold", "let_go", "drop_pieces", "drop_strip"])
    def test_removing(self, agreed, commits, die_at, line, after):
        film = stored.stored(agreed.match, strip=[0.5])
        for path in (film_store.strip_path(film, 0.5), stills.path_at(film, 3.0)):
            path.parent.mkdir(parents=True)
            path.write_bytes(b"a picture")
        patch = die_at(line, after)
        call = {"by": agreed.cast.head_coach, "film": film, "although_open": True}
        with pytest.raises(Killed), commits():
            services.remove_film(**call)
        patch.undo()
        film.refresh_from_db()
        if film.state == "ready":
            assert lost() == []
            with commits():
                services.remove_film(**call)
        stored.age_all()
        film_sweep.sweep()
        assert files() == []


def quick_piece(path, start_s, end_s, out, **wish):
    out.write_bytes(b"piece")
    return 1


def test_the_tidying_comes_every_hour_and_sweeps(agreed, commits):
    film = stored.stored(agreed.match)
    path = film_store.path_of(f"incoming/{uuid4().hex}")
    path.parent.mkdir(parents=True)
    path.write_bytes(b"nobody's")
    stored.age_all()
    jobs.enqueue_regular()
    with commits():
        assert moving.work("film.tidy") == 1
    assert files() == [film.file.name]
    Job.objects.filter(kind="film.tidy").update(created_at=timezone.now() - timezone.timedelta(minutes=61))
    jobs.enqueue_regular()
    assert Job.objects.filter(kind="film.tidy", state="waiting").count() == 1


def test_uploads_that_nobody_goes_on_with_are_forgotten(agreed, commits, settings):
    settings.UPLOAD_HOURS = 2
    now = timezone.now()
    rows = {}
    for name, hours in (("stale", 3), ("fresh", 1)):
        rows[name] = Upload.objects.create(
            club=agreed.cast.club,
            match=agreed.match,
            by=agreed.cast.assistant,
            name=f"{name}.mp4",
            length=9,
            touched_at=now - timezone.timedelta(hours=hours),
        )
        part = film_store.part_of(rows[name])
        part.parent.mkdir(exist_ok=True)
        part.write_bytes(b"com")
    with commits():
        assert film_jobs.end_uploads(now) == 1
    assert files() == [f"incoming/{rows['fresh'].uuid.hex}"]
    assert list(Upload.objects.values_list("name", flat=True)) == ["fresh.mp4"]


def test_how_long_ago_a_folder_was_written_says_its_youngest_file(tmp_path):
    (tmp_path / "making").mkdir()
    (tmp_path / "making" / "0.webm").write_bytes(b"x")
    assert abs(film_store.written(tmp_path / "making") - time.time()) < 60
    assert abs(film_store.written(tmp_path / "gone") - time.time()) < 60
