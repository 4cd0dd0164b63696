"""Waves for units that were listed later, rallies at random where no list was made, and what was set aside."""

import uuid
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from players.models import Unit
from sessions import draws
from sessions.draw_rule import hit
from sessions.draws import draw_more, make_draw
from sessions.models import Analysis, Draw, Situation
from sessions.services import new_version
from tests import factories as make
from tests.sessions.coding import Court, Device, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast, plan="drawn")


def list_for(court: Court, unit: Unit, rallies: int = 8, analysis: Analysis | None = None) -> None:
    there = {rally.number: rally for rally in court.match.rallies.all()}
    for number in range(1, rallies + 1):
        rally = there.get(number) or make.make_rally(court.match, number, server=1 if number % 2 else 3)
        for later in (2, 4):
            make.make_situation(
                analysis or court.analysis, rally, unit, court.area("feet"), hit_s=rally.start_s + later
            )


def draw(court: Court, **wanted: Any) -> Draw:
    return make_draw(
        **{"by": court.cast.assistant, "analysis": court.analysis, "area": court.area("feet"), **wanted}
    )


def said(refused: Any) -> str:
    return " ".join(refused.value.messages)


class TestWaves:
    def test_a_unit_that_is_listed_later_gets_a_draw_of_its_own(self, court: Court) -> None:
        cleo = Unit.objects.get(kind="player", first=court.cast.cleo)
        list_for(court, court.ana)
        first = draw(court, planned=16)
        other = make.make_analysis(court.match, analyst=court.cast.head_coach, units=[cleo], plan="drawn")
        list_for(court, cleo, analysis=other)
        second = make_draw(
            by=court.cast.head_coach, analysis=other, area=court.area("feet"), planned=5, seed=3
        )
        assert (first.wave, second.wave) == (1, 2)
        assert {row["unit"] for row in second.frame} == {cleo.pk}
        assert not set(first.order) & set(second.order)
        assert Situation.objects.filter(drawn=True, unit=cleo).count() == 5
        assert Situation.objects.filter(drawn=True, unit=court.ana).count() == 16

    def test_what_an_earlier_frame_has_is_not_drawn_again(self, court: Court) -> None:
        list_for(court, court.ana)
        draw(court, planned=4)
        make.make_situation(court.analysis, court.match.rallies.first(), court.ana, court.area("feet"))
        with pytest.raises(ValidationError) as refused:
            draw(court, planned=4)
        assert "go on along its order" in said(refused)
        assert Draw.objects.count() == 1
        assert Situation.objects.filter(drawn=True).count() == 4

    def test_ten_more_go_on_in_the_last_wave_that_has_some_left(self, court: Court) -> None:
        list_for(court, court.ana)
        first = draw(court, planned=6)
        dan = Unit.objects.get(kind="player", first=court.cast.dan)
        list_for(court, dan, rallies=3)
        second = draw(court, planned=4)
        more = draw_more(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), more=10)
        assert (more.pk, more.planned) == (second.pk, 14)
        more = draw_more(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), more=10)
        assert (more.pk, more.planned) == (first.pk, 16)
        with pytest.raises(ValidationError) as refused:
            draw_more(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"))
        assert "drawn already" in said(refused)

    def test_one_draw_is_for_all_units_of_the_match(self, court: Court) -> None:
        dan = Unit.objects.get(kind="player", first=court.cast.dan)
        list_for(court, court.ana)
        list_for(court, dan)
        first = draw(court, planned=10, seed=5)
        before = {row.unit_id for row in Situation.objects.filter(uuid__in=first.order[:10])}
        assert before == {court.ana.pk, dan.pk}
        draw_more(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), more=22)
        assert not Situation.objects.filter(drawn=False).exists()

    def test_no_wave_after_a_look_at_the_score(self, court: Court) -> None:
        list_for(court, court.ana)
        draw(court, planned=4)
        Analysis.objects.filter(pk=court.analysis.pk).update(published_at=timezone.now(), state="published")
        dan = Unit.objects.get(kind="player", first=court.cast.dan)
        second = make.make_analysis(court.match, analyst=court.cast.assistant, units=[dan], plan="drawn")
        list_for(court, dan, analysis=second)
        for wanted in ({"planned": 4}, {"every": 3}):
            with pytest.raises(ValidationError) as refused:
                draw(court, analysis=second, **wanted)
            assert "published" in said(refused)

    def test_strata_that_are_not_reached_are_named(self, court: Court) -> None:
        list_for(court, court.ana)
        rare = make.make_rally(court.match, 99, server=3)
        make.make_situation(
            court.analysis, rare, court.ana, court.area("feet"), hit_s=rare.start_s + 1, end="far"
        )
        for seed in range(20):
            found = draw(court, planned=3, seed=seed)
            names = {row["stratum"] for row in found.frame}
            assert set(found.weights["by_stratum"]) | set(found.weights["unreached"]) == names
            assert not set(found.weights["by_stratum"]) & set(found.weights["unreached"])
            rows = {row["situation"]: row["stratum"] for row in found.frame}
            weighed = sum(found.weights["by_stratum"][rows[one]] for one in found.order[:3])
            assert weighed == pytest.approx(3, abs=1e-5)
            found.delete()

    def test_the_endpoint_makes_a_wave(self, court: Court) -> None:
        list_for(court, court.ana)
        post = poster(court)
        assert post({"area": "feet", "planned": 4}).json()["wave"] == 1
        assert post({"area": "feet", "planned": 4, "new_wave": True}).status_code == 400
        dan = Unit.objects.get(kind="player", first=court.cast.dan)
        list_for(court, dan, rallies=3)
        answer = post({"area": "feet", "planned": 5, "new_wave": True}).json()
        assert (answer["wave"], answer["units"], len(answer["drawn"])) == (2, [dan.pk], 5)
        assert [row["wave"] for row in court.state()["draws"]] == [1, 2]
        assert post({"area": "feet"}).status_code == 400
        assert post({"area": "feet", "planned": 3, "every": 3}).status_code == 400


def poster(court: Court) -> Any:
    client = court.cast.client(court.cast.assistant)
    return lambda body: client.post(f"{court.base}/draw/", body, content_type="application/json")


class TestEvery:
    def test_the_start_is_at_random(self, court: Court) -> None:
        firsts = []
        for seed in range(200):
            found = draw(court, every=4, seed=seed)
            firsts.append(found.first)
            found.delete()
        counts = [firsts.count(first) for first in (1, 2, 3, 4)]
        assert sum(counts) == 200
        assert min(counts) > 30

    def test_a_situation_is_drawn_when_it_is_listed_in_such_a_rally(self, court: Court) -> None:
        found = draw(court, every=3, seed=1)
        device = court.device()
        made = {}
        for number in range(1, 8):
            rally = device.rally(number, start=number * 20.0, end=number * 20.0 + 10)
            made[number] = device.situation(rally, court.ana, "feet", hit_s=number * 20.0 + 3)
        for number, situation in made.items():
            row = Situation.objects.get(uuid=situation)
            assert row.drawn is (number in range(found.first, 8, 3)), number
            assert device.do("area.close", f"{row.rally.uuid}/feet", {"situations": 1})["status"] == "applied"
        numbers = Situation.objects.counted().values_list("rally__number", flat=True)
        assert sorted(numbers) == list(range(found.first, 8, 3))
        shown = court.state()["draws"][0]
        assert (shown["every"], shown["first"], shown["listed"]) == (3, found.first, len(numbers))
        assert {str(row) for row in shown["drawn"]} == {made[number] for number in numbers}

    def test_it_is_said_as_such(self, court: Court) -> None:
        found = draw(court, every=5, seed=1)
        first = found.first
        begin = (
            f"One rally in 5 is looked at, from a random start: numbers {first}, {first + 5}, {first + 10}"
        )
        assert court.state()["draws"][0]["words"] == f"{begin} and so on."
        rally = make.make_rally(court.match, first)
        for later in (1, 2, 3):
            make.make_situation(
                court.analysis, rally, court.ana, court.area("feet"), hit_s=rally.start_s + later, drawn=True
            )
        # One rally counts once: three situations of it tell no more than half.
        assert court.state()["draws"][0]["words"].endswith(
            "With the 3 situations there we know a share to within about 5 in 10."
        )

    def test_only_before_any_rally_is_listed(self, court: Court) -> None:
        rally = make.make_rally(court.match)
        with pytest.raises(ValidationError) as refused:
            draw(court, every=3)
        assert "listed already" in said(refused)
        rally.dropped = True
        rally.save(update_fields=["dropped"])
        assert draw(court, every=3).every == 3
        for wanted in ({"every": 3}, {"planned": 4}):
            with pytest.raises(ValidationError) as refused:
                draw(court, **wanted)
            assert "Rallies were drawn" in said(refused)

    @pytest.mark.parametrize("every", [1, 0, 21])
    def test_how_many(self, court: Court, every: int) -> None:
        with pytest.raises(ValidationError) as refused:
            draw(court, every=every)
        assert "every" in refused.value.message_dict
        assert not Draw.objects.exists()

    def test_what_was_listed_by_mistake_is_undone_and_done_again(self, court: Court) -> None:
        first = draw(court, every=2, seed=1).first
        device = court.device()
        rally = device.rally(first)
        added = device.op(
            "situation.add",
            str(uuid.uuid4()),
            {"rally": rally, "unit": court.ana.pk, "area": "feet", "hit_s": 23, "end": "near"},
        )
        assert device.send(added)[0]["row"]["drawn"] is True
        gone = device.do("undo", added["op"])
        assert gone["status"] == "applied"
        assert Situation.objects.get().dropped
        assert device.undo(gone)["status"] == "applied"
        row = Situation.objects.get()
        assert (row.dropped, row.drawn) == (False, True)
        aside = device.do("situation.set", str(row.uuid), {"shown_only": True})
        assert aside["row"]["drawn"] is False
        assert device.undo(aside)["row"]["drawn"] is True

    def test_a_draw_of_situations_still_holds_what_it_drew(self, court: Court) -> None:
        list_for(court, court.ana, rallies=2)
        draw(court, planned=4)
        row = Situation.objects.first()
        device = court.device()
        for kind, body in (("situation.drop", {}), ("situation.set", {"shown_only": True})):
            assert device.do(kind, str(row.uuid), body)["status"] == "refused"

    def test_a_rally_found_later_throws_nothing_out(self, court: Court) -> None:
        first = draw(court, every=2, seed=1).first
        device = court.device()
        situation = device.situation(device.rally(first, start=100, end=110), court.ana, "feet", hit_s=103)
        device.rally(1, start=20, end=30)
        assert Situation.objects.get(uuid=situation).drawn

    def test_a_new_version_keeps_what_was_drawn(self, court: Court) -> None:
        first = draw(court, every=2, seed=1).first
        device = court.device()
        rally = device.rally(first)
        device.situation(rally, court.ana, "feet")
        device.do("area.close", f"{rally}/feet", {"situations": 1})
        Analysis.objects.filter(pk=court.analysis.pk).update(published_at=timezone.now(), state="published")
        court.analysis.refresh_from_db()
        fresh = new_version(by=court.cast.head_coach, analysis=court.analysis)
        assert Situation.objects.counted().filter(analysis=fresh).count() == 1
        later = Device(
            court.cast.client(court.cast.head_coach),
            court.base.replace(str(court.analysis.uuid), str(fresh.uuid)),
        )
        found = later.situation(later.rally(first + 2, start=200, end=210), court.ana, "feet", hit_s=203)
        assert Situation.objects.get(uuid=found).drawn

    def test_the_rule(self) -> None:
        assert [number for number in range(1, 15) if hit(number, 5, 3)] == [3, 8, 13]


def test_the_state_asks_as_often_whatever_is_listed(court: Court) -> None:
    draw(court, every=2, seed=1)

    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as caught:
            draws.shown_draws(court.match, [court.area("feet"), court.area("lob")])
        return len(caught)

    few = queries()
    list_for(court, court.ana, rallies=20)
    Situation.objects.update(drawn=True)
    assert queries() == few


class TestSetAside:
    def aside(self, court: Court, n: int, reason: str = "blocked_view") -> None:
        rows = Situation.objects.filter(drawn=True, not_codable="").order_by("pk")[:n]
        Situation.objects.filter(pk__in=[row.pk for row in rows]).update(not_codable=reason)

    def page(self, court: Court, person: Any) -> str:
        address = reverse("analysis", args=[court.cast.club.slug, court.analysis.uuid])
        return court.cast.client(person).get(address).content.decode()

    def test_more_than_one_in_ten_is_flagged_for_the_head_coach(self, court: Court) -> None:
        list_for(court, court.ana, rallies=10)
        draw(court, planned=20)
        self.aside(court, 2)
        (row,) = draws.set_aside(court.analysis)
        assert (row.unit, row.drawn, row.aside, row.many) == (court.ana, 20, 2, False)
        self.aside(court, 1, "off_picture")
        (row,) = draws.set_aside(court.analysis)
        assert (row.aside, row.percent, row.many) == (3, 15, True)
        assert row.why == "view blocked 2, outside the picture 1"
        text = self.page(court, court.cast.head_coach)
        assert f"{court.ana.name}: 3 of 20 drawn situations were set aside, 15 %" in " ".join(text.split())
        assert "more than one in ten" in text
        assert "data-set-aside" not in self.page(court, court.cast.assistant)

    def test_each_unit_stands_for_itself(self, court: Court) -> None:
        dan = Unit.objects.get(kind="player", first=court.cast.dan)
        list_for(court, court.ana, rallies=10)
        list_for(court, dan, rallies=2)
        draw(court, planned=24)
        Situation.objects.filter(pk=Situation.objects.filter(unit=dan).first().pk).update(not_codable="other")
        rows = {row.unit: row for row in draws.set_aside(court.analysis)}
        assert (rows[dan].many, rows[dan].why) == (True, "other 1")
        assert not rows[court.ana].many

    def test_what_was_not_drawn_is_no_part_of_it(self, court: Court) -> None:
        list_for(court, court.ana, rallies=5)
        draw(court, planned=5)
        Situation.objects.filter(drawn=False).update(not_codable="blocked_view")
        assert [(row.drawn, row.aside) for row in draws.set_aside(court.analysis)] == [(5, 0)]
