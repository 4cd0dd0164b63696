"""Workers that read, make, join and delete films are killed at random moments; nothing is lost and nothing is left."""

import os
import random
import signal
import subprocess
import sys
import time

import pytest
from django.conf import settings

from clubcoach import jobs
from clubcoach.models import Job
from sessions import film_jobs, film_jobs_make, film_store, film_sweep, services, stills
from sessions.models import Film
from sessions.services.film_care import work_on
from tests import factories as make
from tests import film_worker
from tests.sessions import moving, stored
from tests.sessions.chain import make_chain
from tests.workers import environment

pytestmark = [pytest.mark.long, pytest.mark.django_db(transaction=True)]
SECONDS = 2.5


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    return stored.write_mkv(tmp_path_factory.mktemp("killed") / "court.mkv", seconds=SECONDS)


@pytest.fixture(scope="module")
def playable(tmp_path_factory):
    path = tmp_path_factory.mktemp("killed") / "court.webm"
    film_jobs.footage.write_webm((moving.frame(n) for n in range(20)), 10, None, 48_000, path)
    return path


@pytest.fixture
def agreed(cast, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"
    chain = make_chain(cast)
    moving.agree(chain.match)
    return chain


def killed_after(seconds: float, *words: str, alone: bool) -> bool:
    """Start a worker and kill it so long after it began; False where it had ended by itself by then."""
    worker = subprocess.Popen(
        [sys.executable, "-m", "tests.film_worker", *words],
        env={**environment(), "PYTHONPATH": str(settings.BASE_DIR)},
        cwd=settings.BASE_DIR,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    assert worker.stdout is not None
    assert worker.stdout.readline() == b"go\n"
    time.sleep(seconds)
    ended = worker.poll() is not None
    if not ended:
        # Alone: its child lives on for a moment, as when the kernel takes the one that holds most memory.
        os.kill(worker.pid, signal.SIGKILL) if alone else os.killpg(worker.pid, signal.SIGKILL)
    worker.wait(30)
    worker.stdout.close()
    return not ended


def go_on(monkeypatch, film: Film, by: object) -> None:
    """Another worker comes; a job that was killed three times is asked for again, as a coach would on the page."""
    monkeypatch.setattr(film_jobs_make, "PIECE_S", film_worker.PIECE_S)
    for _ in range(5):
        stored.give_up_leases()
        jobs.run_due()
        film.refresh_from_db()
        if film.state not in ("arrived", "making"):
            return
        job = work_on(film).first()
        assert job is None or job.over, (film.state, job.state, job.note)
        services.again_film(by=by, film=film)


def tidy() -> None:
    stored.age_all()
    film_sweep.sweep()
    Job.objects.all().delete()


@pytest.mark.parametrize("round_", range(24))
def test_reading_and_making(round_, agreed, source, playable, monkeypatch, capsys):
    dice = random.Random(1000 + round_)
    path = source if round_ % 4 else playable
    film = stored.arrived(agreed.match, path.read_bytes(), path.name)
    kills = 0
    for _ in range(dice.choice([1, 1, 2, 3])):
        stored.give_up_leases()
        kills += killed_after(dice.uniform(0, 3.0), "work", alone=dice.random() < 0.3)
    found = Film.objects.get(pk=film.pk).state
    # A child whose parent is gone ends on its next word to it.
    time.sleep(1)
    go_on(monkeypatch, film, agreed.cast.assistant)
    assert film.state == "ready", film.problem
    tidy()
    assert (stored.orphans(), stored.lost()) == ([], [])
    copy = moving.frames_of(film_store.path_of(film.file.name))
    true = moving.frames_of(path)
    assert len(copy) == len(true)
    assert moving.follows(copy, true, 0, 25)
    assert film_store.digest_of(film_store.path_of(film.file.name)) == film.served
    assert len(film.strip) == 2
    assert all(film_store.strip_path(film, at_s).is_file() for at_s in film.strip)
    with capsys.disabled():
        print(f"\nround {round_}: killed {kills} times, found {found}, went on to the end")


@pytest.mark.parametrize("round_", range(12))
def test_removing(round_, agreed, capsys):
    dice = random.Random(2000 + round_)
    film = stored.stored(agreed.match, os.urandom(2_000_000), strip=[0.5])
    shared = round_ % 3 == 0
    if shared:
        other = make.make_match(agreed.cast.club, [agreed.cast.ana, None, None, None])
        stored.stored(other, film_store.path_of(film.file.name).read_bytes())
    for path in (film_store.strip_path(film, 0.5), stills.path_at(film, 3.0)):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"a picture")
    killed = killed_after(
        dice.uniform(0, 0.15), "remove", str(film.uuid), str(agreed.cast.head_coach.pk), alone=True
    )
    film.refresh_from_db()
    found = film.state
    if found == "ready":
        assert stored.lost() == []
        services.remove_film(by=agreed.cast.head_coach, film=film, although_open=True)
    tidy()
    assert (stored.orphans(), stored.lost()) == ([], [])
    if not shared:
        assert stored.files() == []
    with capsys.disabled():
        print(f"\nremoval {round_}: {'killed' if killed else 'too late to kill'}, found {found}")
