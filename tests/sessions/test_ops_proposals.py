"""What the ear proposes, decided on the sheet: made a rally, dismissed, opened again, and what is refused."""

import uuid
from typing import Any

import pytest
from django.utils import timezone

from sessions import services
from sessions.models import Hearing, MatchFilm, Rally, RallyEdit, RallyProposal
from tests import factories as make
from tests.sessions.coding import Court, Device, make_court
from tests.sessions.court_scene import make_film
from tests.sessions.moving import agree

pytestmark = pytest.mark.django_db


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def device(court: Court) -> Device:
    return court.device()


@pytest.fixture
def hearing(court: Court) -> Hearing:
    film = make_film(court.match, duration_s=600.0, audio_codec="opus")
    return Hearing.objects.create(film=film, verdict="good")


@pytest.fixture
def proposal(hearing: Hearing) -> RallyProposal:
    return RallyProposal.objects.create(hearing=hearing, start_s=50, end_s=58, confidence=0.7)


def new() -> str:
    return str(uuid.uuid4())


def take(device: Device, heard: RallyProposal, **body: Any) -> dict[str, Any]:
    values = {"number": 1, "start_s": 50, "end_s": 58, "winner": "A", "proposal": heard.pk, **body}
    return device.do("rally.add", new(), values)


def now_is(proposal: RallyProposal) -> tuple[str, str | None]:
    proposal.refresh_from_db()
    rally = proposal.rally
    return proposal.state, str(rally.uuid) if rally and not rally.dropped else None


class TestARallyOfAProposal:
    def test_it_is_accepted_with_the_rally_and_says_who_and_when(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        before = timezone.now()
        result = take(device, proposal)
        assert result["status"] == "applied"
        assert "proposal" not in result["row"]
        assert now_is(proposal) == ("accepted", result["row"]["uuid"])
        assert proposal.decided_by == court.cast.assistant
        assert proposal.decided_at is not None
        assert proposal.decided_at >= before
        assert (result["row"]["winner"], result["row"]["end_s"]) == ("A", 58.0)

    def test_undo_opens_it_again_and_undoing_that_accepts_it_again(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        added = take(device, proposal)
        undone = device.undo(added)
        assert now_is(proposal) == ("open", None)
        assert (proposal.decided_by, proposal.decided_at) == (None, None)
        assert [row["id"] for row in court.state()["proposals"]] == [proposal.pk]
        device.undo(undone)
        assert now_is(proposal) == ("accepted", added["row"]["uuid"])
        assert proposal.decided_by == court.cast.assistant
        assert court.state()["proposals"] == []

    def test_dropping_the_rally_opens_it_and_undoing_that_accepts_it_again(
        self, device: Device, proposal: RallyProposal
    ) -> None:
        added = take(device, proposal)
        dropped = device.do("rally.drop", added["row"]["uuid"])
        assert now_is(proposal) == ("open", None)
        device.undo(dropped)
        assert now_is(proposal) == ("accepted", added["row"]["uuid"])

    def test_a_rally_that_was_accepted_on_the_listening_page_opens_it_too(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        agree(court.match)
        film, by = proposal.hearing.film, court.cast.assistant
        done = services.accept_rallies(by=by, film=film, match=court.match, proposals=[proposal])
        device.do("rally.drop", str(done.rallies[0].uuid))
        assert now_is(proposal) == ("open", None)

    def test_another_rally_may_take_it_meanwhile_and_both_are_kept(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        first = take(device, proposal)
        undone = device.undo(first)
        second = take(court.device(), proposal)
        assert device.undo(undone)["status"] == "applied"
        assert now_is(proposal) == ("accepted", second["row"]["uuid"])
        rallies = court.state()["rallies"]
        assert [row["ledger"]["contradictions"] for row in rallies] == [
            ["It overlaps rally 2."],
            ["It overlaps rally 1."],
        ]

    def test_what_was_dismissed_can_be_taken_after_all(self, device: Device, proposal: RallyProposal) -> None:
        device.do("proposal.set", str(proposal.pk), {"dismissed": True})
        added = take(device, proposal)
        assert now_is(proposal) == ("accepted", added["row"]["uuid"])

    def test_it_is_refused_while_another_rally_has_it(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        take(device, proposal)
        again = take(court.device(), proposal, number=2)
        assert (again["status"], again["field"]) == ("refused", "proposal")
        assert again["message"] == "This is rally 1 of the match already."
        assert (Rally.objects.count(), RallyEdit.objects.count()) == (1, 1)

    @pytest.mark.parametrize("wrong", ["7", 1.5, True, [3], {"id": 3}, -1, 10**30, 0])
    def test_what_is_no_proposal_is_refused_in_words(
        self, device: Device, proposal: RallyProposal, wrong: Any
    ) -> None:
        result = take(device, proposal, proposal=wrong)
        assert (result["status"], result["field"]) == ("refused", "proposal")
        assert not Rally.objects.exists()

    def test_it_cannot_be_given_to_a_rally_that_is_there(
        self, device: Device, proposal: RallyProposal
    ) -> None:
        target = device.rally()
        result = device.do("rally.set", target, {"proposal": proposal.pk})
        assert (result["status"], result["field"]) == ("refused", "proposal")

    def test_without_one_nothing_changes(self, device: Device, proposal: RallyProposal) -> None:
        take(device, proposal, proposal=None)
        assert now_is(proposal) == ("open", None)


class TestDeciding:
    def test_dismissed_opened_and_back_and_forth(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        target = str(proposal.pk)
        first = device.do("proposal.set", target, {"dismissed": True}, 0)
        assert (first["status"], first["rev"]) == ("applied", 1)
        assert first["row"] == {"id": proposal.pk, "dismissed": True, "rev": 1}
        assert now_is(proposal) == ("dismissed", None)
        assert proposal.decided_by == court.cast.assistant
        assert proposal.decided_at is not None
        assert court.state()["proposals"] == []
        undone = device.undo(first)
        assert now_is(proposal) == ("open", None)
        assert proposal.decided_at is None
        device.undo(undone)
        assert now_is(proposal) == ("dismissed", None)
        opened = device.do("proposal.set", target, {"dismissed": False}, 1)
        assert (opened["rev"], now_is(proposal)[0]) == (0, "open")

    def test_whoever_has_not_seen_the_decision_is_told(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        device.do("proposal.set", str(proposal.pk), {"dismissed": True}, 0)
        stale = court.device().do("proposal.set", str(proposal.pk), {"dismissed": True}, 0)
        assert (stale["status"], stale["theirs"], stale["rev"]) == ("conflict", {"dismissed": True}, 1)

    def test_an_undo_waits_while_something_else_stands_there(
        self, court: Court, device: Device, proposal: RallyProposal
    ) -> None:
        first = device.do("proposal.set", str(proposal.pk), {"dismissed": True})
        court.device().do("proposal.set", str(proposal.pk), {"dismissed": False})
        assert device.undo(first)["status"] == "conflict"

    def test_what_is_a_rally_is_not_dismissed_and_an_undo_is_held_to_that(
        self, device: Device, proposal: RallyProposal
    ) -> None:
        first = device.do("proposal.set", str(proposal.pk), {"dismissed": True})
        take(device, proposal)
        for result in (
            device.do("proposal.set", str(proposal.pk), {"dismissed": True}),
            device.undo(first),
        ):
            assert (result["status"], result["field"]) == ("refused", "target")
            assert result["message"] == "This is rally 1 of the match already."
        assert now_is(proposal)[0] == "accepted"

    @pytest.mark.parametrize(
        ("body", "field"),
        [
            ({}, "dismissed"),
            ({"dismissed": None}, "dismissed"),
            ({"dismissed": 1}, "dismissed"),
            ({"x": 1}, "x"),
        ],
    )
    def test_bodies_that_say_nothing(
        self, device: Device, proposal: RallyProposal, body: Any, field: str
    ) -> None:
        result = device.do("proposal.set", str(proposal.pk), body)
        assert (result["status"], result["field"]) == ("refused", field)

    @pytest.mark.parametrize("target", ["", "x", "-1", "²", "9" * 40, "0", "1/F1"])
    def test_targets_that_are_none(self, device: Device, proposal: RallyProposal, target: str) -> None:
        answer = device.post([device.op("proposal.set", target, {"dismissed": True})])
        if answer.status_code == 200:
            result = answer.json()["results"][0]
            assert (result["status"], result["field"]) == ("refused", "target")
        else:
            assert answer.status_code == 400
        assert now_is(proposal) == ("open", None)


class TestOtherMatches:
    def test_of_another_matchs_film(self, cast: Any, device: Device) -> None:
        other = make.make_match(cast.club, [cast.ana, cast.dan, cast.cleo, None])
        hearing = Hearing.objects.create(film=make_film(other, duration_s=60.0), verdict="good")
        there = RallyProposal.objects.create(hearing=hearing, start_s=5, end_s=9)
        for result in (device.do("proposal.set", str(there.pk), {"dismissed": True}), take(device, there)):
            assert result["status"] == "refused"
            assert result["message"] == "This was heard in the film of another match."

    def test_in_the_part_of_the_film_that_shows_another_match(
        self, cast: Any, device: Device, hearing: Hearing, proposal: RallyProposal
    ) -> None:
        later = make.make_match(cast.club, [cast.ana, cast.dan, cast.cleo, None])
        MatchFilm.objects.create(match=later, film=hearing.film, offset_s=-300.0)
        there = RallyProposal.objects.create(hearing=hearing, start_s=305, end_s=312)
        assert device.do("proposal.set", str(there.pk), {"dismissed": True})["status"] == "refused"
        assert device.do("proposal.set", str(proposal.pk), {"dismissed": True})["status"] == "applied"


class TestNumbers:
    """One place numbers rallies, whether a coach presses keys or accepts what was heard."""

    def numbers(self, court: Court) -> list[tuple[int, float]]:
        return [(row["number"], row["start_s"]) for row in court.state()["rallies"]]

    def test_a_device_that_has_not_seen_the_others_numbers_is_put_right(
        self, court: Court, device: Device
    ) -> None:
        for number, start in ((1, 10), (2, 30), (3, 50)):
            device.rally(number, start, start + 5)
        late = court.device().do("rally.add", new(), {"number": 2, "start_s": 60, "end_s": 65})
        assert late["row"]["number"] == 4
        assert self.numbers(court) == [(1, 10), (2, 30), (3, 50), (4, 60)]
        court.device().do("rally.add", new(), {"number": 9, "start_s": 20, "end_s": 25})
        assert self.numbers(court) == [(1, 10), (2, 20), (3, 30), (4, 50), (5, 60)]
        assert RallyEdit.objects.get(rally__uuid=late["row"]["uuid"]).after["number"] == 4

    def test_a_match_that_begins_later_keeps_its_numbers(self, court: Court, device: Device) -> None:
        device.rally(12, 10, 15)
        device.rally(13, 30, 35)
        device.rally(20, 50, 55)
        assert [number for number, _start in self.numbers(court)] == [12, 13, 20]

    def test_what_comes_back_takes_its_place_again(self, court: Court, device: Device) -> None:
        device.rally(1, 10, 15)
        middle = device.rally(2, 30, 35)
        device.rally(3, 50, 55)
        dropped = device.do("rally.drop", middle)
        assert [number for number, _start in self.numbers(court)] == [1, 2]
        court.device().do("rally.add", new(), {"number": 2, "start_s": 20, "end_s": 25})
        device.undo(dropped)
        assert self.numbers(court) == [(1, 10), (2, 20), (3, 30), (4, 50)]


class TestWhatIsOdd:
    def odd(self, court: Court) -> list[list[str]]:
        return [row["ledger"]["contradictions"] for row in court.state()["rallies"]]

    def test_rallies_that_only_touch_or_have_no_time_do_not_overlap(
        self, court: Court, device: Device
    ) -> None:
        device.rally(1, 10, 20, winner="A")
        device.rally(2, 20, 30, winner="A")
        Rally.objects.filter(number=2).update(timed=False, start_s=15)
        device.rally(3, 30, None)
        assert self.odd(court) == [[], [], []]

    def test_both_say_it_and_it_goes_with_the_time(self, court: Court, device: Device) -> None:
        device.rally(1, 10, 20, winner="A")
        second = device.rally(2, 18, 30, winner="A")
        assert self.odd(court) == [["It overlaps rally 2."], ["It overlaps rally 1."]]
        agree(court.match)
        told = services.submit(
            by=court.cast.assistant, analysis=court.analysis, devices={device.id: device.seq}
        )
        assert told[-1] == "Rallies 1 and 2 overlap: see which of them was played."
        court.analysis.state = "in_progress"
        court.analysis.save(update_fields=["state"])
        device.do("rally.set", second, {"start_s": 20})
        assert self.odd(court) == [[], []]

    def test_one_that_lies_over_all_names_a_few(self, court: Court, device: Device) -> None:
        device.rally(1, 5, 500, winner="A")
        for number in range(2, 9):
            device.rally(number, 10 * number, 10 * number + 5, winner="A")
        marks = self.odd(court)
        assert [len(one) for one in marks] == [3, 1, 1, 1, 1, 1, 1, 1]

    @pytest.mark.parametrize(
        ("winner", "by", "how", "wrong"),
        [
            ("A", 1, "winner", ""),
            ("A", 3, "error", ""),
            ("A", 3, "winner", "Whoever hit a ball that nobody reached won it"),
            ("B", 4, "forced", "Whoever ended it by a fault lost it"),
            ("B", 1, "double", ""),
            ("B", 2, "double", "Only who serves can serve a double fault."),
            ("none", 2, "winner", ""),
            ("A", None, "error", ""),
        ],
    )
    def test_how_it_ended_and_who_won(
        self, court: Court, device: Device, winner: str, by: int | None, how: str, wrong: str
    ) -> None:
        device.rally(1, 10, 20, winner=winner, ended_by=by, ended_how=how, net_pair="none")
        said = self.odd(court)[0]
        assert [one for one in said if "by its" not in one and "score" not in one][:1] == (
            [next(one for one in said if one.startswith(wrong))] if wrong else []
        )
        row = court.state()["rallies"][0]
        assert (row["net_pair"], row.get("ended_by"), row["ended_how"]) == ("none", by, how)


def test_facts_of_a_rally_are_set_corrected_and_keep_a_heard_rally(
    court: Court, device: Device, proposal: RallyProposal
) -> None:
    added = take(device, proposal, winner="")
    result = device.do("rally.set", added["row"]["uuid"], {"net_pair": "B"})
    assert (result["row"]["net_pair"], result["rev"]) == ("B", 2)
    undone = device.undo(result)
    assert undone["row"]["net_pair"] == ""
    device.undo(undone)
    agree(court.match)
    with pytest.raises(Exception, match="Somebody has noted something"):
        services.reopen_rallies(by=court.cast.assistant, film=proposal.hearing.film, proposals=[proposal])
