"""What changed since: each kind of change is told, nothing else is, and together they make the whole document again."""

import random
import uuid
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sessions import draws
from sessions.models import Film, Hearing, Hunch, MatchFilm, Op, RallyProposal
from tests import factories as make
from tests.sessions.coding import Court, Device, make_court

PARTS = ("rallies", "draws", "analysis", "proposals", "hits", "hunches")


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


def since(court: Court, stamp: str, person: Any = None) -> dict[str, Any]:
    client = court.cast.client(person or court.cast.assistant)
    answer = client.get(f"{court.base}/state/", {"since": stamp})
    assert answer.status_code == 200, answer.content
    return answer.json()


def parts(answer: dict[str, Any]) -> set[str]:
    return {name for name in PARTS if name in answer}


def coded(court: Court) -> tuple[Device, str, str]:
    device = court.device()
    rally = device.rally(1, 20, 30, winner="A")
    return device, rally, device.situation(rally, court.ana, "feet")


def test_nothing_new_is_said_in_a_word(court: Court) -> None:
    coded(court)
    stamp = court.state()["stamp"]
    assert since(court, stamp) == {"stamp": stamp, "reader": court.cast.assistant.pk, "changed": False}


def test_a_mark_brings_its_situation_and_nothing_else(court: Court) -> None:
    device, rally, situation = coded(court)
    device.situation(rally, court.ana, "feet", hit_s=25)
    stamp = court.state()["stamp"]
    device.do("mark.set", f"{situation}/F1", {"value": "met"})
    answer = since(court, stamp)
    assert answer["changed"]
    assert "whole" not in answer
    assert [row["uuid"] for row in answer["situations"]] == [situation]
    assert answer["situations"][0]["marks"]["F1"]["value"] == "met"
    assert (answer["closures"], parts(answer)) == ([], set())
    assert since(court, answer["stamp"])["changed"] is False


def test_what_is_taken_away_is_told_too(court: Court) -> None:
    device, rally, situation = coded(court)
    marked = device.do("mark.set", f"{situation}/F1", {"value": "met"})
    device.do("area.close", f"{rally}/feet", {"situations": 1})
    stamp = court.state()["stamp"]
    device.undo(marked)
    device.do("area.open", f"{rally}/feet")
    answer = since(court, stamp)
    assert answer["situations"][0]["marks"]["F1"].get("value") is None
    assert answer["situations"][0]["marks"]["F1"]["rev"] == 2
    assert [(row["area"], row["situations"]) for row in answer["closures"]] == [("feet", None)]
    stamp = answer["stamp"]
    device.do("situation.drop", situation)
    assert since(court, stamp)["situations"][0]["dropped"] is True


def test_what_was_refused_or_differs_changes_nothing(court: Court) -> None:
    device, _rally, situation = coded(court)
    device.do("mark.set", f"{situation}/F1", {"value": "met"})
    stamp = court.state()["stamp"]
    assert device.do("mark.set", f"{situation}/F1", {"value": "missed"}, 0)["status"] == "conflict"
    assert device.do("mark.set", f"{situation}/X9", {"value": "met"})["status"] == "refused"
    answer = since(court, stamp)
    assert (answer["situations"], answer["closures"], parts(answer)) == ([], [], set())


def test_another_analysis_of_the_match_moves_the_rallies(court: Court, cast: Any) -> None:
    _device, rally, _situation = coded(court)
    stamp = court.state()["stamp"]
    second = make.make_analysis(court.match, analyst=cast.assistant, units=[court.ana])
    other = Court(cast, court.match, second, court.ana, court.pair).device()
    other.do("rally.set", rally, {"winner": "B"})
    answer = since(court, stamp)
    assert parts(answer) == {"rallies"}
    assert answer["rallies"][0]["winner"] == "B"
    assert answer["ledger_end"] == court.state()["ledger_end"]
    assert answer["situations"] == []


def test_a_draw_brings_the_drawn_situations(court: Court) -> None:
    court.analysis.plan = "drawn"
    court.analysis.save(update_fields=["plan"])
    device, rally, _situation = coded(court)
    device.situation(rally, court.ana, "feet", hit_s=25)
    stamp = court.state()["stamp"]
    draws.make_draw(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), planned=1)
    answer = since(court, stamp)
    assert parts(answer) == {"draws"}
    assert [row["uuid"] for row in answer["situations"]] == answer["draws"][0]["drawn"]
    assert answer["situations"][0]["drawn"] is True


def test_states_hunches_and_what_was_heard(court: Court, cast: Any) -> None:
    stamp = court.state()["stamp"]
    court.analysis.state = "submitted"
    court.analysis.save(update_fields=["state"])
    answer = since(court, stamp)
    assert parts(answer) == {"analysis"}
    assert (answer["analysis"]["state"], answer["analysis"]["writable"]) == ("submitted", False)
    Hunch.objects.create(analysis=court.analysis, position=1, text="late feet", area=court.area("feet"))
    answer = since(court, answer["stamp"])
    assert parts(answer) == {"hunches"}
    assert answer["hunches"] == court.state()["hunches"]
    film = Film.objects.create(
        club=cast.club, name="a.webm", size=1, digest="x", state="ready", duration_s=60
    )
    MatchFilm.objects.create(match=court.match, film=film, offset_s=0)
    hearing = Hearing.objects.create(film=film, verdict="good", hits=[[3.0, "racket", 0.9]])
    proposal = RallyProposal.objects.create(hearing=hearing, start_s=2, end_s=9)
    answer = since(court, answer["stamp"])
    assert parts(answer) == {"proposals", "hits"}
    assert [row["id"] for row in answer["proposals"]] == [proposal.pk]
    RallyProposal.objects.update(state="dismissed")
    answer = since(court, answer["stamp"])
    assert parts(answer) == {"proposals"}
    assert answer["proposals"] == []


@pytest.mark.parametrize(
    "stamp", ["", "x", "1-2", "-1-0-a-b-c-d-e", "9" * 30 + "-0-a-b-c-d-e", "٣-0-a-b-c-d-e", "\x00", "1-" * 7]
)
def test_a_stamp_that_cannot_be_read_gives_the_whole(court: Court, stamp: str) -> None:
    coded(court)
    answer = since(court, stamp)
    whole = court.state()
    assert answer["whole"] is True
    assert {**answer, "whole": None} == {**whole, "whole": None, "changed": True, "reader": answer["reader"]}


def test_a_stamp_of_before_a_restored_copy_gives_the_whole(court: Court) -> None:
    device, _rally, situation = coded(court)
    device.do("mark.set", f"{situation}/F1", {"value": "met"})
    stamp = court.state()["stamp"]
    Op.objects.order_by("-pk").first().delete()
    assert since(court, stamp)["whole"] is True


def test_changes_together_make_the_whole(court: Court) -> None:
    """A device that only ever hears of changes ends with what a fresh one reads."""
    dice, device = random.Random(3), court.device()
    held = court.state()
    rallies: list[str] = []
    situations: list[str] = []
    for step in range(60):
        if step % 6 == 0:
            rallies.append(device.rally(len(rallies) + 1, 40 * step + 20, 40 * step + 35, winner="A"))
        rally = dice.choice(rallies)
        act = dice.randrange(7)
        if act < 2:
            start = next(row["start_s"] for row in court.state()["rallies"] if row["uuid"] == rally)
            body = {"rally": rally, "unit": court.ana.pk, "area": "feet", "hit_s": start + 3, "end": "near"}
            target = str(uuid.uuid4())
            if device.do("situation.add", target, body)["status"] == "applied":
                situations.append(target)
        elif act == 2:
            device.do("area.close", f"{rally}/feet", {"situations": 0})
        elif act == 3:
            device.do("area.open", f"{rally}/feet")
        elif act == 4 and situations:
            device.do("situation.drop", situations.pop())
        elif situations:
            value = dice.choice(["met", "missed", "not_seen", None])
            target = f"{dice.choice(situations)}/{dice.choice(['F1', 'F2'])}"
            last = device.do("mark.set", target, {"value": value})
            if dice.random() < 0.3:
                device.undo(last)
        if step % 4 == 3:
            held = merged(held, since(court, held["stamp"]))
    held = merged(held, since(court, held["stamp"]))
    whole = court.state()
    assert by_key(held) == by_key(whole)
    for part in (*PARTS, "ledger_next", "ledger_end", "stamp"):
        assert held[part] == whole[part], part


def merged(held: dict[str, Any], answer: dict[str, Any]) -> dict[str, Any]:
    if not answer["changed"]:
        return held
    assert "whole" not in answer
    situations = {row["uuid"]: row for row in [*held["situations"], *answer["situations"]]}
    closures = {(row["rally"], row["area"]): row for row in [*held["closures"], *answer["closures"]]}
    kept = [row for row in situations.values() if not row.get("dropped")]
    return {**held, **answer, "situations": kept, "closures": list(closures.values())}


def by_key(document: dict[str, Any]) -> Any:
    return (
        {row["uuid"]: row for row in document["situations"]},
        {(row["rally"], row["area"]): row for row in document["closures"]},
    )


def test_a_question_costs_as_many_queries_in_a_long_match(court: Court) -> None:
    def cost() -> tuple[int, int]:
        device = court.device()
        stamp = court.state()["stamp"]
        client = court.cast.client(court.cast.assistant)
        counts = []
        for asked in (stamp, stamp):
            with CaptureQueriesContext(connection) as caught:
                assert client.get(f"{court.base}/state/", {"since": asked}).status_code == 200
            counts.append(len(caught))
            for situation in list(court.analysis.situations.all()):
                device.do("mark.set", f"{situation.uuid}/F1", {"value": "met"})
                device.do("mark.set", f"{situation.uuid}/F1", {"value": "missed"})
        return counts[0], counts[1]

    device, _rally, _situation = coded(court)
    few = cost()
    for number in range(2, 12):
        start = 40 * number
        device.situation(device.rally(number, start, start + 30), court.ana, "feet", hit_s=start + 3)
    assert cost() == few
    assert few[0] <= 14, "asked every few seconds by everybody who looks on"


def test_who_may_ask(court: Court) -> None:
    coded(court)
    stamp = court.state()["stamp"]
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
        for asked in (stamp, "", "x"):
            answer = court.cast.client(person).get(f"{court.base}/state/", {"since": asked})
            assert answer.status_code == expected[name], (name, asked)
            assert "situations" not in answer.json() or expected[name] == 200
    # The head coach reads along and writes nothing: of that her own stamp tells.
    answer = since(court, stamp, court.cast.head_coach)
    assert parts(answer) == {"analysis"}
    assert answer["analysis"]["writable"] is False


def test_marks_are_not_taken_under_somebody_elses_name(court: Court, cast: Any) -> None:
    device, _rally, situation = coded(court)
    sent = device.op("mark.set", f"{situation}/F1", {"value": "met"})
    answer = device.client.post(
        f"{court.base}/ops/",
        {"ops": [sent]},
        content_type="application/json",
        headers={"X-Written-By": str(cast.head_coach.pk)},
    )
    assert (answer.status_code, answer.json()["code"]) == (403, "other_person")
    assert not Op.objects.filter(uuid=sent["op"]).exists()
    answer = device.client.post(
        f"{court.base}/ops/",
        {"ops": [sent]},
        content_type="application/json",
        headers={"X-Written-By": str(cast.assistant.pk)},
    )
    assert answer.json()["results"][0]["status"] == "applied"
