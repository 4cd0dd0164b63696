"""Two coaches, or a coach and the job, decide about what was heard at the same moment from two connections."""

import uuid

import pytest

from clubcoach import jobs
from sessions import film_jobs_listen, footage, services
from sessions.models import Hearing, Rally, RallyProposal
from sessions.ops.engine import apply_ops
from tests.sessions import moving, stored
from tests.sessions.test_listen_job import heard
from tests.sessions.test_publishing_race import at_once

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def film(chain):
    moving.agree(chain.match)
    return stored.stored(chain.match, duration_s=600.0, audio_codec="opus")


def hear(film, *spans):
    hearing = Hearing.objects.create(film=film, verdict="good")
    return [RallyProposal.objects.create(hearing=hearing, start_s=a, end_s=b) for a, b in spans]


def numbers(match):
    return list(match.rallies.filter(dropped=False).values_list("number", flat=True))


def test_accepted_twice_at_once_is_one_rally(chain, film):
    rows = hear(film, (5, 9), (60, 65))

    def accept(by):
        return lambda: services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)

    told = at_once(accept(chain.cast.assistant), accept(chain.cast.head_coach))
    assert sorted(len(done.rallies) for done in told) == [0, 2], told
    assert numbers(chain.match) == [1, 2, 3, 4]


def test_one_accepts_what_the_other_dismisses(chain, film):
    rows = hear(film, (5, 9))
    at_once(
        lambda: services.accept_rallies(
            by=chain.cast.assistant, film=film, match=chain.match, proposals=rows
        ),
        lambda: services.dismiss_rallies(by=chain.cast.head_coach, film=film, proposals=rows),
    )
    rows[0].refresh_from_db()
    # Whoever came second decided upon what the first had done: there is a rally if and only if it is accepted.
    assert len(numbers(chain.match)) == (3 if rows[0].state == "accepted" else 2)


def test_two_films_and_a_sheet_number_one_match(chain, film):
    second = stored.stored(chain.match, digest="e", duration_s=600.0)
    one, other = hear(film, (5, 9)), hear(second, (60, 65))
    op = {
        **{
            "op": uuid.uuid4(),
            "device": uuid.uuid4(),
            "seq": 1,
            "kind": "rally.add",
            "target": str(uuid.uuid4()),
        },
        "body": {"number": 3, "start_s": 80.0, "end_s": 85.0},
    }
    by = chain.cast.assistant
    told = at_once(
        lambda: services.accept_rallies(by=by, film=film, match=chain.match, proposals=one),
        lambda: services.accept_rallies(by=by, film=second, match=chain.match, proposals=other),
        lambda: apply_ops(by=by, analysis=chain.analysis, ops=[op]),
    )
    assert not [answer for answer in told if isinstance(answer, Exception)], told
    assert Rally.objects.filter(match=chain.match, dropped=False).count() == 5
    assert numbers(chain.match)[:3] == [1, 2, 3]


def test_heard_anew_while_somebody_accepts(chain, film, monkeypatch):
    rows = hear(film, (5, 9))
    monkeypatch.setattr(footage, "sound", lambda *args, **wish: iter(()))
    monkeypatch.setattr(film_jobs_listen, "listen", lambda bands, court=None: heard((5.5, 9), (60, 65)))
    job = jobs.enqueue("film.listen", key=str(film.uuid), film=film.pk)
    accept = {"by": chain.cast.assistant, "film": film, "match": chain.match, "proposals": rows}
    told = at_once(lambda: jobs.perform(job.pk), lambda: services.accept_rallies(**accept))
    assert told[0] is True
    accepted = RallyProposal.objects.filter(state="accepted").count()
    # Either it was accepted first and stays, or it was heard anew first and there is nothing left to accept.
    assert accepted == len(numbers(chain.match)) - 2
    assert RallyProposal.objects.filter(start_s=60).count() == 1
    assert RallyProposal.objects.count() == 2
