"""Sheets without times: they keep their order, are told in words, and nothing is cut from a film for them."""

from typing import Any

import pytest
from django.urls import reverse

from clubcoach.models import Job
from players.models import Unit
from sessions import clips, services, stills
from sessions.models import Clip, Rally, RallyEdit, Situation
from sessions.sparse import full
from tests import factories as make
from tests.sessions import moving
from tests.sessions.chain import make_chain
from tests.sessions.coding import Court, Device, make_court
from tests.sessions.test_clip_pages import get, set_up, text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def device(court: Court) -> Device:
    return court.device()


@pytest.fixture
def rally(court: Court) -> Rally:
    """The third rally of a sheet without times."""
    return make.make_rally(court.match, 3, start_s=3.0, end_s=None, timed=False)


@pytest.fixture
def situation(court: Court, rally: Rally) -> Situation:
    return make.make_situation(
        court.analysis, rally, court.ana, court.area("feet"), hit_s=3.001, timed=False, number=1
    )


@pytest.fixture
def filmed(cast: Any, settings: Any, tmp_path: Any) -> Any:
    """An untimed situation that keeps its place at 8 s, in a match with a film of a minute."""
    settings.MEDIA_ROOT = tmp_path
    chain = make_chain(cast)
    Rally.objects.update(timed=False, end_s=None)
    return set_up(chain, timed=False, number=1)


# Operations


def test_the_state_says_what_has_no_time(court: Court, rally: Rally, situation: Situation) -> None:
    make.make_rally(court.match, 4)
    state = court.state()
    assert [(row["number"], full("rally", row)["timed"]) for row in state["rallies"]] == [
        (3, False),
        (4, True),
    ]
    assert [full("situation", row)["timed"] for row in state["situations"]] == [False]


def test_a_start_gives_a_rally_its_time_and_undo_takes_it_back(device: Device, rally: Rally) -> None:
    result = device.do("rally.set", str(rally.uuid), {"start_s": 61.5, "winner": "B"}, base_rev=1)
    assert (result["status"], result["row"]["timed"]) == ("applied", True)
    rally.refresh_from_db()
    assert (rally.start_s, rally.timed) == (61.5, True)
    edit = RallyEdit.objects.get()
    assert (edit.before["timed"], edit.after["timed"]) == (False, True)
    undone = device.undo(result)
    rally.refresh_from_db()
    assert (rally.start_s, rally.timed, rally.winner) == (3.0, False, "A")
    assert device.undo(undone)["row"]["timed"] is True


def test_other_facts_of_a_rally_give_it_no_time(device: Device, rally: Rally) -> None:
    result = device.do("rally.set", str(rally.uuid), {"winner": "B", "server": 2})
    assert (result["row"]["winner"], result["row"]["timed"]) == ("B", False)


def test_a_timed_rally_says_nothing_of_it_in_its_history(device: Device) -> None:
    target = device.rally()
    device.do("rally.set", target, {"start_s": 21.0})
    assert RallyEdit.objects.last().after == {"start_s": 21.0}
    conflict = device.do("rally.set", target, {"start_s": 22.0}, base_rev=1)
    assert (conflict["mine"], conflict["theirs"]) == ({"start_s": 22.0}, {"start_s": 21.0})


def test_an_end_without_a_start_is_refused(device: Device, rally: Rally) -> None:
    refused = device.do("rally.set", str(rally.uuid), {"end_s": 30.0})
    assert (refused["status"], refused["field"]) == ("refused", "end_s")
    assert "Say first when it starts" in refused["message"]
    both = device.do("rally.set", str(rally.uuid), {"start_s": 20.0, "end_s": 30.0})
    assert (both["status"], both["row"]["timed"]) == ("applied", True)


def test_what_only_keeps_the_order_lies_outside_no_rally(
    court: Court, device: Device, rally: Rally, situation: Situation
) -> None:
    device.do("rally.set", str(rally.uuid), {"start_s": 600.0, "end_s": 610.0})
    late = device.do("situation.set", str(situation.uuid), {"ball": "hard"})
    assert (late["status"], late["row"]["timed"]) == ("applied", False)
    outside = device.do("situation.set", str(situation.uuid), {"hit_s": 599.0})
    assert (outside["status"], outside["field"]) == ("refused", "hit_s")
    inside = device.do("situation.set", str(situation.uuid), {"hit_s": 605.0})
    assert (inside["status"], inside["row"]["timed"]) == ("applied", True)
    shorter = device.do("rally.set", str(rally.uuid), {"end_s": 604.0})
    assert shorter["message"] == "A situation of this rally would lie outside it."


def test_a_moment_may_lie_before_the_place_of_its_rally(
    device: Device, rally: Rally, situation: Situation
) -> None:
    early = device.do("situation.set", str(situation.uuid), {"hit_s": 2.0})
    assert (early["status"], early["row"]["timed"]) == ("applied", True)
    started = device.do("rally.set", str(rally.uuid), {"start_s": 1.0})
    assert started["status"] == "applied"
    undone = device.undo(started)
    assert (undone["status"], undone["row"]["timed"]) == ("applied", False)


def test_a_situation_in_a_rally_without_a_time_has_none_and_no_number(
    court: Court, device: Device, rally: Rally, situation: Situation
) -> None:
    target = device.situation(str(rally.uuid), court.ana, "feet", hit_s=3.001)
    fresh = Situation.objects.get(uuid=target)
    assert (fresh.timed, fresh.number) == (False, None)
    # Two of them may keep one place: nothing takes order or number for an identity.
    assert court.state()["situations"][-1]["uuid"] == target
    there = device.do("situation.set", target, {"hit_s": 62.0})
    assert (there["status"], there["row"]["timed"]) == ("applied", True)
    device.undo(there)
    fresh.refresh_from_db()
    assert (fresh.hit_s, fresh.timed) == (3.001, False)


def test_a_stale_start_is_told_with_what_is_not_known(device: Device, rally: Rally) -> None:
    device.do("rally.set", str(rally.uuid), {"winner": "B"})
    conflict = device.do("rally.set", str(rally.uuid), {"start_s": 60.0}, base_rev=1)
    assert conflict["status"] == "conflict"
    assert conflict["mine"] == {"start_s": 60.0, "timed": True}
    assert conflict["theirs"] == {"start_s": 3.0, "timed": False}


def test_an_overlooked_rally_goes_where_its_start_is(court: Court, device: Device, rally: Rally) -> None:
    first = make.make_rally(court.match, 2, start_s=2.0, end_s=None, timed=False)
    device.rally(number=3, start=2.5, end=None)
    rows = court.state()["rallies"]
    assert [(row["number"], full("rally", row)["timed"]) for row in rows] == [
        (2, False),
        (3, True),
        (4, False),
    ]
    assert rows[0]["uuid"] == str(first.uuid)


# Film


def test_no_place_in_a_film_and_nothing_to_make(filmed: Any) -> None:
    situation = filmed.situation
    assert stills.place_of(situation) is None
    assert clips.place_of(situation) is None
    assert stills.missing_of(filmed.analysis) == {}
    assert clips.clip_of(situation=situation, by=filmed.cast.head_coach) is None
    assert clips.try_again(situation=situation, by=filmed.cast.head_coach) is None
    # The same place with a time is one, so that the above is not for want of a film.
    Situation.objects.filter(pk=situation.pk).update(timed=True)
    timed = Situation.objects.get(pk=situation.pk)
    assert clips.place_of(timed) is not None
    assert [len(times) for times in stills.missing_of(filmed.analysis).values()] == [1]


@pytest.mark.parametrize("who", ["student", "head_coach"])
def test_its_page_is_words_alone(filmed: Any, who: str) -> None:
    person = getattr(filmed.cast, who)
    answer = get(filmed, person)
    words = text_of(answer)
    assert "without times" in words
    assert f"{filmed.cast.ana.name} in the match of Tue 1 Sep 2026." in words
    assert ", at 0:08" not in words
    assert "0:08" not in words
    assert "<video" not in answer.content.decode()
    assert "/still/" not in answer.content.decode()
    assert "Time in the air" in words
    for name in ("still", "clip"):
        assert get(filmed, person, name).status_code == 404
    assert not Job.objects.exists()
    assert not Clip.objects.exists()


def test_with_a_time_the_page_says_it(filmed: Any) -> None:
    Situation.objects.update(timed=True)
    assert ", at 0:08" in text_of(get(filmed, filmed.cast.student))


def test_neighbours_stay_in_order(filmed: Any) -> None:
    later = filmed.see(hit_s=9.0, timed=False, marks={"L2": "met"})
    page = get(filmed, filmed.cast.head_coach).content.decode()
    assert f'rel="next" href="{reverse("situation", args=["seaside", later.pk])}"' in page


@pytest.mark.parametrize(("timed", "jobs"), [((), 0), ((False, False), 0), ((False, True), 1)])
def test_publishing_asks_for_pictures_only_of_moments(cast: Any, timed: Any, jobs: int) -> None:
    chain = make_chain(cast)
    for one in timed:
        chain.see(timed=one, marks={"L2": "met"})
    chain.close()
    chain.state("submitted")
    services.publish(by=cast.head_coach, analysis=chain.analysis)
    assert Job.objects.filter(kind="film.stills").count() == jobs


def test_one_picture_of_a_sheet_that_is_timed_in_part(filmed: Any) -> None:
    filmed.see(hit_s=12.0)
    assert list(stills.missing_of(filmed.analysis).values()) == [[12.0]]


# Versions


def test_a_correction_keeps_what_was_not_known_and_the_numbers(cast: Any) -> None:
    chain = make_chain(cast)
    Rally.objects.update(timed=False)
    for number, timed in ((1, False), (2, True)):
        chain.see(hit_s=20.0 + number, timed=timed, number=number)
    chain.close()
    moving.publish(chain.analysis)
    fresh = services.new_version(by=cast.head_coach, analysis=chain.fresh())
    assert list(fresh.situations.values_list("number", "timed")) == [(1, False), (2, True)]
    device = Device(cast.client(cast.head_coach), f"/c/seaside/api/v1/analyses/{fresh.uuid}")
    rally = str(chain.rallies[0].uuid)
    device.do("area.open", f"{rally}/lob")
    target = device.situation(rally, chain.unit, "lob", hit_s=23.0)
    assert fresh.situations.get(uuid=target).number is None


def test_a_match_of_one_sheet_with_two_same_numbers(court: Court, device: Device, rally: Rally) -> None:
    """Two sheets of one match number their situations each for itself, and so may one with a slip of the pen."""
    pair = Unit.objects.pair_of(court.cast.ana, court.cast.dan)
    for unit, area in ((court.ana, "feet"), (pair, "net")):
        make.make_situation(court.analysis, rally, unit, court.area(area), hit_s=3.001, timed=False, number=1)
    assert len(court.state()["situations"]) == 2
    closed = device.do("area.close", f"{rally.uuid}/feet", {"situations": 1})
    assert closed["status"] == "applied"
