"""Proposals and hits in the state document: in match time, through offset and delay, of several films."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sessions.models import Film, Hearing, MatchFilm, Rally, RallyProposal
from sessions.state_proposals import open_proposals, proposal_part
from tests import factories as make
from tests.sessions.coding import Court, make_court
from tests.sessions.court_scene import make_film

pytestmark = pytest.mark.django_db


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


def heard(court: Court, offset_s: float, delay_s: float, *spans: Any, hits: Any = ()) -> Film:
    film = make_film(court.match, duration_s=600.0)
    MatchFilm.objects.filter(film=film).update(offset_s=offset_s)
    hearing = Hearing.objects.create(
        film=film, verdict="good", delay_s=delay_s, hits=[[*hit, 0.9, -20, 0.1, []] for hit in hits]
    )
    for start_s, end_s, confidence in spans:
        RallyProposal.objects.create(hearing=hearing, start_s=start_s, end_s=end_s, confidence=confidence)
    return film


def test_match_time_is_heard_less_delay_plus_offset_for_each_film(court: Court) -> None:
    second = heard(court, 1000.0, -0.5, (10.0, 18.0, 0.3), hits=[(10.0, "racket"), (12.345, "racket")])
    first = heard(court, -20.0, 0.25, (100.0, 104.5, 0.8), (130.0, 140.0, 0.5), hits=[(100.0, "racket")])
    state = court.state()
    assert [(row["film"], row["start_s"], row["end_s"], row["sure"]) for row in state["proposals"]] == [
        (str(first.uuid), 79.75, 84.25, "sure"),
        (str(first.uuid), 109.75, 119.75, "likely"),
        (str(second.uuid), 1010.5, 1018.5, "guess"),
    ]
    assert state["hits"] == [79.75, 1010.5, 1012.85]
    assert set(state["proposals"][0]) == {"id", "start_s", "end_s", "sure", "film"}


def test_only_rackets_and_only_what_is_in_the_match(court: Court, cast: Any) -> None:
    film = heard(
        court,
        -50.0,
        0.0,
        (10.0, 20.0, 0.9),
        (60.0, 62.0, 0.9),
        (305.0, 310.0, 0.9),
        hits=[(10, "racket"), (60, "racket"), (61, "floor"), (62, "glass"), (307, "racket")],
    )
    later = make.make_match(cast.club, [cast.ana, cast.dan, cast.cleo, None])
    MatchFilm.objects.create(match=later, film=film, offset_s=-300.0)
    state = court.state()
    # At 10 s of the film the match has not begun; from 300 s on it shows the other one.
    assert [row["start_s"] for row in state["proposals"]] == [10.0]
    assert state["hits"] == [10.0]
    assert [row["start_s"] for row in open_proposals(later)] == [5.0]


def test_only_open_ones_and_those_whose_rally_was_taken_out(court: Court) -> None:
    heard(court, 0.0, 0.0, (10.0, 12.0, 0.9), (20.0, 22.0, 0.9), (30.0, 32.0, 0.9), (40.0, 42.0, 0.9))
    rows = list(RallyProposal.objects.order_by("start_s"))
    for row, state, dropped in zip(
        rows[1:], ("accepted", "dismissed", "accepted"), (False, None, True), strict=True
    ):
        row.state = state
        if dropped is not None:
            row.rally = make.make_rally(court.match, 1, start_s=row.start_s, end_s=row.end_s)
            Rally.objects.filter(pk=row.rally.pk).update(dropped=dropped)
        row.save()
    assert [row["start_s"] for row in court.state()["proposals"]] == [10.0, 40.0]


def test_a_film_that_is_gone_is_not_listened_to(court: Court) -> None:
    film = heard(court, 0.0, 0.0, (10.0, 12.0, 0.9), hits=[(10, "racket")])
    for state, shown in (("ready", 1), ("failed", 0)):
        Film.objects.filter(pk=film.pk).update(state=state)
        part = proposal_part(court.match)
        assert (len(part["proposals"]), len(part["hits"])) == (shown, shown)


def test_the_rallies_alone_bring_what_is_open(court: Court) -> None:
    heard(court, 0.0, 0.0, (10.0, 12.0, 0.9), hits=[(10, "racket")])
    answer = court.cast.client(court.cast.assistant).get(f"{court.base}/state/?part=rallies").json()
    assert [row["start_s"] for row in answer["proposals"]] == [10.0]
    assert "hits" not in answer


def test_as_many_queries_for_many(court: Court) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as caught:
            proposal_part(court.match)
        return len(caught)

    heard(court, 0.0, 0.0, (10.0, 12.0, 0.9), hits=[(10, "racket")])
    few = count()
    for place in range(1, 4):
        spans = [(5.0 * n, 5.0 * n + 2, 0.6) for n in range(1, 60)]
        heard(court, 600.0 * place, 0.0, *spans, hits=[(5.0 * n, "racket") for n in range(1, 60)])
    assert len(proposal_part(court.match)["proposals"]) == 1 + 3 * 59
    assert count() == few == 3


def test_who_may_read_it(court: Court) -> None:
    heard(court, 0.0, 0.0, (10.0, 12.0, 0.9), hits=[(10, "racket")])
    url = f"{court.base}/state/"
    codes = {
        name: court.cast.client(getattr(court.cast, name)).get(url).status_code
        for name in ("head_coach", "assistant", "manager", "student", "guardian", "stranger")
    }
    assert codes == {
        "head_coach": 200,
        "assistant": 200,
        "manager": 403,
        "student": 403,
        "guardian": 403,
        "stranger": 404,
    }
    assert court.cast.client(None).get(url).status_code in (401, 403)
