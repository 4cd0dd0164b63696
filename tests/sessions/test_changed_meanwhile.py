"""What changes around an analysis while it is coded: said in words, nothing lost, and it can still be handed in."""

import time
import uuid
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.base import ContentFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from players import services as people
from players.lists import current_list, install_check_list
from players.models import Area, Check, Unit
from sessions.models import Analysis, Film, Mark, MatchFilm, Op, Rally, Situation, Tally
from sessions.services import publish, remove_film, submit
from tests import factories as make
from tests.sessions.coding import Court, Device, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def device(court: Court) -> Device:
    return court.device()


def newer_list(court: Court, *, without: str) -> int:
    """The head coach saves the list with an area less; its number."""
    by, club = court.cast.head_coach, court.cast.club
    data = install_check_list(by=by, club=club, data=current_list(club).data).data
    areas, checks = (
        [row["code"] for row in data[group] if row["on_by_default"] and row["code"] != without]
        for group in ("areas", "checks")
    )
    version = people.edit_check_list(by=by, club=club, areas_on=areas, checks_on=checks, bounds={})
    return version.number


def hand_in(court: Court) -> Analysis:
    submit(by=court.cast.assistant, analysis=court.analysis, devices={})
    publish(by=court.cast.head_coach, analysis=court.analysis)
    return court.analysis


class TestTheList:
    def test_it_goes_on_with_its_own_version_and_says_so(self, court: Court, device: Device) -> None:
        situation = device.situation(device.rally(), court.ana, "feet")
        own = court.state()["analysis"]
        assert own["list_newer"] is None
        newer = newer_list(court, without="lob")
        now = court.state()
        assert now["analysis"]["list_newer"] == newer > own["check_list"] == now["analysis"]["check_list"]
        assert [area["code"] for area in now["areas"]] == ["feet", "lob", "bandeja", "serve", "net"]
        assert device.do("mark.set", f"{situation}/F1", {"value": "met"})["status"] == "applied"

    def test_an_area_that_was_switched_off_is_coded_to_its_end(self, court: Court, device: Device) -> None:
        rally = device.rally()
        newer_list(court, without="lob")
        assert not Area.objects.get(club=court.cast.club, code="lob").on
        situation = device.situation(rally, court.ana, "lob")
        assert device.do("mark.set", f"{situation}/L3", {"value": "met"})["status"] == "applied"
        assert device.do("area.close", f"{rally}/lob", {"situations": 1})["status"] == "applied"
        hand_in(court)
        assert Tally.objects.get(check_identity__code="L3").met == 1

    def test_a_retired_check_is_refused_in_words_and_what_it_has_counts(
        self, court: Court, device: Device
    ) -> None:
        rally = device.rally()
        first, second = (device.situation(rally, court.ana, "feet") for _ in range(2))
        device.do("mark.set", f"{first}/F2", {"value": "met"})
        Check.objects.filter(club=court.cast.club, code="F2").update(retired_on="2026-09-03")
        refused = device.do("mark.set", f"{second}/F2", {"value": "met"})
        assert (refused["field"], refused["message"]) == ("target", "This check is not in use any more.")
        assert device.do("mark.set", f"{second}/F1", {"value": "met"})["status"] == "applied"
        assert "F2" not in [check["code"] for check in court.state()["areas"][0]["checks"]]
        assert device.do("mark.set", f"{first}/F2", {"value": None})["status"] == "applied", (
            "cleared it can be"
        )
        assert device.undo(device.do("area.close", f"{rally}/feet", {"situations": 2}))["status"] == "applied"
        device.do("area.close", f"{rally}/feet", {"situations": 2})
        hand_in(court)
        assert list(Tally.objects.values_list("check_identity__code", "seen")) == [("F1", 1)]


class TestTheMatch:
    def test_a_rally_that_another_analysis_dropped(self, court: Court, device: Device) -> None:
        other = make.make_analysis(court.match, analyst=court.cast.head_coach, units=[court.pair])
        theirs = Device(
            court.cast.client(court.cast.head_coach),
            court.base.replace(str(court.analysis.uuid), str(other.uuid)),
        )
        kept, gone = device.rally(), device.rally(2, 60, 80)
        device.situation(kept, court.ana, "feet")
        device.do("area.close", f"{gone}/feet", {"situations": 0})
        assert theirs.do("rally.drop", kept)["field"] == "target", "it has a situation of somebody"
        assert theirs.do("rally.drop", gone)["status"] == "applied"
        late = [
            device.do("situation.add", str(uuid.uuid4()), _situation(gone, court.ana)),
            device.do("area.open", f"{gone}/feet"),
            device.do("rally.set", gone, {"winner": "A"}),
        ]
        assert {row["status"] for row in late} == {"refused"}
        assert {row["message"] for row in late} == {"This rally was removed."}
        assert [row["uuid"] for row in court.state()["rallies"]] == [kept]
        hand_in(court)

    def test_a_situation_whose_rally_is_gone_is_not_shown(self, court: Court, device: Device) -> None:
        device.situation(device.rally(), court.ana, "feet")
        Rally.objects.update(dropped=True)
        assert (court.state()["rallies"], court.state()["situations"]) == ([], [])

    def test_a_film_that_was_removed(
        self, court: Court, device: Device, settings: Any, tmp_path: Any
    ) -> None:
        settings.MEDIA_ROOT = tmp_path
        film = Film(club=court.cast.club, name="gone.webm", size=1000, digest="d" * 64, state="ready")
        film.duration_s = 600
        film.file.save("gone.webm", ContentFile(b"\x1aE\xdf\xa3" + b"0" * 996), save=False)
        film.save()
        MatchFilm.objects.create(match=court.match, film=film)
        rally = device.rally()
        situation = device.situation(rally, court.ana, "feet")
        assert len(court.state()["match"]["films"]) == 1
        remove_film(by=court.cast.head_coach, film=film, although_open=True)
        state = court.state()
        assert state["match"]["films"] == []
        assert (len(state["rallies"]), len(state["situations"])) == (1, 1)
        assert device.do("mark.set", f"{situation}/F1", {"value": "missed"})["status"] == "applied"
        device.do("area.close", f"{rally}/feet", {"situations": 1})
        page = court.cast.client(court.cast.assistant).get(
            f"/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/sheet/"
        )
        assert "no picture here" in page.content.decode()
        hand_in(court)
        assert Tally.objects.get().seen == 1


class TestAStakeThatCameLater:
    def begun(self, court: Court, device: Device) -> str:
        situation = device.situation(device.rally(), court.ana, "feet")
        device.do("mark.set", f"{situation}/F1", {"value": "met"})
        make.guard(court.cast.ana, court.cast.assistant)
        return situation

    def test_what_she_marks_then_stays_on_her_device(self, court: Court, device: Device) -> None:
        situation = self.begun(court, device)
        before, ops = court.state(court.cast.head_coach), Op.objects.count()
        sent = device.op("mark.set", f"{situation}/F2", {"value": "met"})
        answer = device.post([sent])
        assert answer.status_code == 409
        assert answer.json()["message"].startswith("You or your family played in this match")
        assert answer.json()["results"] == []
        assert Op.objects.count() == ops
        assert court.state(court.cast.head_coach)["situations"] == before["situations"], (
            "what was marked stays"
        )
        assert court.state()["analysis"]["writable"] is False
        client = court.cast.client(court.cast.assistant)
        draw = client.post(
            f"{court.base}/draw/", {"area": "feet", "planned": 3}, content_type="application/json"
        )
        assert draw.status_code == 409
        page = client.get(f"/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/sheet/")
        assert b"sheet-submit" not in page.content
        with pytest.raises(PermissionDenied):
            submit(by=court.cast.assistant, analysis=court.analysis, devices={})

    def test_it_arrives_once_the_stake_is_gone(self, court: Court, device: Device) -> None:
        situation = self.begun(court, device)
        sent = device.op("mark.set", f"{situation}/F2", {"value": "met"})
        assert device.post([sent]).status_code == 409
        court.cast.assistant.guardianships.all().delete()
        assert device.send(sent)[0]["status"] == "applied"
        assert Mark.objects.count() == 2

    def test_what_had_arrived_is_answered(self, court: Court, device: Device) -> None:
        rally = device.op("rally.add", str(uuid.uuid4()), {"number": 1, "start_s": 5})
        device.send(rally)
        make.guard(court.cast.ana, court.cast.assistant)
        late = device.op("rally.add", str(uuid.uuid4()), {"number": 2, "start_s": 50})
        answer = device.post([rally, late])
        assert answer.status_code == 409
        assert [row["op"] for row in answer.json()["results"]] == [rally["op"]]
        assert device.send(rally)[0]["status"] == "repeat"
        assert Rally.objects.count() == 1


def _situation(rally: str, unit: Unit) -> dict[str, Any]:
    return {"rally": rally, "unit": unit.pk, "area": "feet", "hit_s": 63.0, "end": "near"}


def test_marks_by_the_thousand_cost_each_the_same(court: Court) -> None:
    """A script that sends as fast as it can: each mark costs as many queries late as early, and none is lost."""
    device = court.device()
    device.rally(1, 20, 5000)
    rally, feet = Rally.objects.get(), court.area("feet")
    situations = [
        make.make_situation(court.analysis, rally, court.ana, feet, hit_s=21 + n) for n in range(100)
    ]
    queries, took = [], []
    for code in ("F1", "F2", "F4", "F5"):
        batch = [device.op("mark.set", f"{row.uuid}/{code}", {"value": "met"}) for row in situations]
        with CaptureQueriesContext(connection) as caught:
            begun = time.perf_counter()
            results = device.send(*batch)
            took.append(1000 * (time.perf_counter() - begun) / len(batch))
        assert {row["status"] for row in results} == {"applied"}
        queries.append(len(caught))
    print(f"{queries[-1] / 100:.1f} queries and {took[-1]:.1f} ms to a mark")
    assert queries[0] >= queries[1] == queries[2] == queries[3]
    assert queries[-1] <= 100 * 6 + 30
    assert Mark.objects.count() == 400
    assert Situation.objects.filter(marks__value="met").distinct().count() == 100
