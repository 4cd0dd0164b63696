"""The state document: what it holds, who may read it, and that a longer match costs no more queries."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sessions.models import Closure, Film, Mark, MatchFilm, Situation
from tests import factories as make
from tests.sessions.coding import Court, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


def fill(court: Court, rallies: int) -> None:
    """Rallies with two situations each, marks on them, and the area closed."""
    feet = court.area("feet")
    checks = [
        row.check_identity
        for row in court.analysis.check_list.wordings.filter(check_identity__area=feet, end="near")
    ]
    for number in range(1, rallies + 1):
        rally = make.make_rally(court.match, number)
        for later in (2, 5):
            situation = make.make_situation(
                court.analysis, rally, court.ana, feet, hit_s=rally.start_s + later
            )
            Mark.objects.bulk_create(
                Mark(situation=situation, check_identity=check, value="met") for check in checks
            )
        Closure.objects.create(analysis=court.analysis, rally=rally, area=feet, situations=2)


def queries(court: Court, url: str) -> int:
    client = court.cast.client(court.cast.assistant)
    with CaptureQueriesContext(
        connection,
    ) as caught:
        assert client.get(url).status_code == 200
    return len(caught)


def test_two_hundred_rallies_cost_as_many_queries_as_ten(court: Court) -> None:
    fill(court, 10)
    few = {part: queries(court, f"{court.base}/state/{part}") for part in ("", "?part=rallies")}
    fill(court, 190)
    many = {part: queries(court, f"{court.base}/state/{part}") for part in ("", "?part=rallies")}
    assert len(court.state()["rallies"]) == 200
    assert many == few
    assert few[""] <= 34


def test_the_lists_cost_as_many_queries_for_many(court: Court) -> None:
    base = f"/c/{court.cast.club.slug}/api/v1"
    few = [queries(court, f"{base}/{name}/") for name in ("matches", "analyses")]
    for _ in range(30):
        make_court(court.cast)
    assert [queries(court, f"{base}/{name}/") for name in ("matches", "analyses")] == few
    client = court.cast.client(court.cast.assistant)
    assert len(client.get(f"{base}/analyses/").json()["results"]) == 31


def test_what_the_document_holds(court: Court) -> None:
    fill(court, 2)
    state = court.state()
    assert state["analysis"]["writable"] is True
    assert [seat["name"].split()[0] for seat in state["seats"]] == ["Ana", "Dan", "Cleo", "visitor"]
    assert [(unit["kind"], unit["pair"], unit["positions"]) for unit in state["units"]] == [
        ("player", "A", [1]),
        ("pair", "A", [1, 2]),
    ]
    feet = next(area for area in state["areas"] if area["code"] == "feet")
    assert feet["asked"]["near/any/player"] == ["F1", "F2", "F4", "F5"]
    assert feet["asked"]["far/any/player"] == ["F5"]
    assert feet["asked"]["near/any/pair"] == []
    assert feet["units"] == [court.ana.pk]
    net = next(area for area in state["areas"] if area["code"] == "net")
    assert net["units"] == [court.pair.pk]
    assert [rally["ledger"]["before"] for rally in state["rallies"]] == ["0-0 0-0", "0-0 15-0"]
    assert state["ledger_next"]["before"] == "0-0 30-0"
    first = state["situations"][0]
    assert first["rally"] == state["rallies"][0]["uuid"]
    assert (first["area"], first["unit"]) == ("feet", court.ana.pk)
    assert first["marks"]["F1"] == {"value": "met"}
    assert state["closures"][0] == {
        "rally": state["rallies"][0]["uuid"],
        "area": "feet",
        "situations": 2,
    }


def test_what_contradicts_the_rules_is_said_with_the_rule(court: Court) -> None:
    make.make_rally(court.match, 1, server=1, winner="A")
    make.make_rally(court.match, 2, server=2, winner="A")
    make.make_rally(court.match, 3, server=1, winner="")
    make.make_rally(court.match, 4, server=1, winner="none")
    make.make_rally(court.match, 5, server=1, winner="")
    said = [rally["ledger"]["contradictions"] for rally in court.state()["rallies"]]
    assert said[0] == []
    assert said[1][0].startswith("Player 2 serves;")
    assert "Order of service" in said[1][0]
    assert said[2][0].startswith("No winner and no reason")
    assert said[3] == said[4] == [], "nobody won it; and a rally in progress has no winner yet"


def test_a_dropped_row_is_not_shown(court: Court) -> None:
    fill(court, 2)
    rally = court.match.rallies.first()
    Situation.objects.filter(rally=rally).update(dropped=True)
    rally.dropped = True
    rally.save(update_fields=["dropped"])
    state = court.state()
    assert len(state["rallies"]) == 1
    assert {row["rally"] for row in state["situations"]} == {state["rallies"][0]["uuid"]}


def test_only_ready_films_are_offered(court: Court) -> None:
    for number, state in enumerate(("ready", "refused", "arrived")):
        film = Film.objects.create(
            club=court.cast.club,
            file="films/x.webm",
            name=f"{number}.webm",
            size=1,
            digest="x",
            state=state,
            duration_s=60,
        )
        MatchFilm.objects.create(match=court.match, film=film, offset_s=12.5)
    films = court.state()["match"]["films"]
    assert [(film["name"], film["offset_s"], film["duration_s"]) for film in films] == [("0.webm", 12.5, 60)]
    assert films[0]["url"].endswith("/bytes/")
    assert films[0]["state"] == "ready"


def test_a_film_that_stays_on_a_disk_comes_with_what_it_is_known_by(court: Court) -> None:
    film = Film.objects.create(
        club=court.cast.club, name="a.mp4", size=9, slices="ab" * 32, state="away", duration_s=60
    )
    MatchFilm.objects.create(match=court.match, film=film, offset_s=3)
    (found,) = court.state()["match"]["films"]
    assert (found["state"], found["url"], found["size"], found["slices"]) == ("away", None, 9, "ab" * 32)


def test_who_may_read_it(court: Court) -> None:
    expected = {
        "manager": 403,
        "head_coach": 200,
        "assistant": 200,
        "student": 403,
        "guardian": 403,
        "all_in_one": 404,
        "two_clubs": 404,
        "stranger": 404,
        "anonymous": 401,
    }
    for name, person in court.cast.visitors().items():
        for address in ("", "state/"):
            answer = court.cast.client(person).get(f"{court.base}/{address}")
            assert answer.status_code == expected[name], (name, address)
    assert court.state(court.cast.head_coach)["analysis"]["writable"] is False
    court.analysis.state = "submitted"
    court.analysis.save(update_fields=["state"])
    assert court.state()["analysis"]["writable"] is False


def test_lists_hold_what_the_person_may_open(court: Court) -> None:
    base = f"/c/{court.cast.club.slug}/api/v1"
    expected = {"head_coach": [1, 1], "assistant": [1, 1], "two_clubs": [0, 1]}
    for name, counts in expected.items():
        client = court.cast.client(court.cast.visitors()[name])
        found = [client.get(f"{base}/{part}/").json()["count"] for part in ("analyses", "matches")]
        assert found == counts, name
    client = court.cast.client(court.cast.student)
    assert client.get(f"{base}/analyses/").status_code == client.get(f"{base}/matches/").status_code == 403
    match = court.cast.client(court.cast.assistant).get(f"{base}/matches/{court.match.uuid}/").json()
    assert match["format"]["kind"] == "sets"
    assert [seat["player"] for seat in match["seats"]][3] is None
