"""Hunches of the first look: who writes them and until when, and how the counted situations answer them."""

from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clubcoach.models import AuditEvent
from players.models import Check, Unit
from sessions.hunches import answers_of
from sessions.models import Analysis, Closure, Draw, Hunch, LensArea, Mark
from sessions.services import HunchEntry, new_version, write_hunches
from tests import factories as make
from tests.sessions.coding import Court, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


def url(court: Court) -> str:
    return f"/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/first-look/"


def entry(
    court: Court, text: str = "She waits on her heels", code: str | None = "F1", **more: Any
) -> HunchEntry:
    check = Check.objects.get(club=court.cast.club, code=code) if code else None
    return HunchEntry(text, more.pop("area", court.area("feet")), check, **more)


def write(court: Court, *entries: HunchEntry, by: Any = None) -> list[Hunch]:
    return write_hunches(by=by or court.cast.assistant, analysis=court.analysis, hunches=entries)


def judged(court: Court, *values: str, code: str = "F1", **fields: Any) -> None:
    """A closed rally with one counted situation for each value of a check."""
    check, feet = Check.objects.get(club=court.cast.club, code=code), court.area("feet")
    for value in values:
        number = court.match.rallies.count() + 1
        rally = make.make_rally(court.match, number)
        situation = make.make_situation(court.analysis, rally, court.ana, feet, **fields)
        Mark.objects.create(situation=situation, check_identity=check, value=value)
        Closure.objects.create(analysis=court.analysis, rally=rally, area=feet, situations=1)


def state(court: Court, name: str) -> None:
    Analysis.objects.filter(pk=court.analysis.pk).update(state=name, published_at=timezone.now())
    court.analysis.refresh_from_db()


def words(court: Court, mine: bool = True) -> list[str]:
    return [answer.words for answer in answers_of(court.analysis, mine=mine)]


class TestWriting:
    def test_up_to_three_are_written_in_the_place_of_those_before(self, court: Court) -> None:
        write(
            court, entry(court, "one"), entry(court, "two", None), entry(court, " t  hree ", "F2", says="met")
        )
        rows = Hunch.objects.values_list("position", "text", "check_identity__code", "says", "by")
        by = court.cast.assistant.pk
        assert list(rows) == [
            (1, "one", "F1", "missed", by),
            (2, "two", None, "missed", by),
            (3, "t hree", "F2", "met", by),
        ]
        write(court, entry(court, "only"))
        assert [hunch.text for hunch in court.analysis.hunches.all()] == ["only"]
        actions = AuditEvent.objects.filter(action="analysis.hunches_written")
        assert actions.count() == 2
        write(court)
        assert not Hunch.objects.exists()

    @pytest.mark.parametrize(
        ("change", "field", "said"),
        [
            ({"text": "  "}, "text_1", "Say in words"),
            ({"text": "x" * 201}, "text_1", "201 characters; 200"),
            ({"says": "never"}, "says_1", "often missed or mostly met"),
            ({"code": "L1"}, "about_1", "belongs to another area"),
        ],
    )
    def test_what_is_wrong_is_said_at_its_field(
        self, court: Court, change: dict[str, Any], field: str, said: str
    ) -> None:
        write(court, entry(court, "stays"))
        with pytest.raises(ValidationError) as refused:
            write(court, entry(court, **change))
        assert said in refused.value.message_dict[field][0]
        assert [hunch.text for hunch in Hunch.objects.all()] == ["stays"]

    def test_outside_the_lens_retired_or_asked_of_nobody(self, court: Court) -> None:
        LensArea.objects.filter(analysis=court.analysis, area__code="lob").delete()
        with pytest.raises(ValidationError, match="outside the lens"):
            write(court, entry(court, code=None, area=court.area("lob")))
        Check.objects.filter(club=court.cast.club, code="F2").update(retired_on="2026-01-01")
        with pytest.raises(ValidationError, match="not in use"):
            write(court, entry(court, code="F2"))
        court.analysis.covers.filter(unit=court.pair).delete()
        with pytest.raises(ValidationError, match="asked of anybody"):
            write(court, entry(court, code=None, area=court.area("net")))
        other = court.cast.other_club.areas.get(code="feet")
        with pytest.raises(ValidationError, match="outside the lens"):
            write(court, entry(court, code=None, area=other))

    def test_four_are_too_many(self, court: Court) -> None:
        with pytest.raises(ValidationError, match="4 hunches are too many"):
            write(court, *[entry(court)] * 4)

    def test_only_the_analyst_and_nobody_with_a_stake(self, court: Court) -> None:
        for person in (court.cast.head_coach, court.cast.manager, court.cast.student):
            with pytest.raises(PermissionDenied, match="Only the analyst writes hunches"):
                write(court, entry(court), by=person)
        make.guard(court.cast.ana, court.cast.assistant)
        with pytest.raises(PermissionDenied, match="played in this match"):
            write(court, entry(court))

    @pytest.mark.parametrize("name", ["submitted", "published", "cancelled", "withdrawn"])
    def test_not_in_a_version_that_is_over(self, court: Court, name: str) -> None:
        state(court, name)
        with pytest.raises(ValidationError, match="no hunch can be written"):
            write(court, entry(court))

    def test_not_after_a_mark_even_one_that_was_cleared(self, court: Court) -> None:
        write(court, entry(court, "before"))
        device = court.device()
        situation = device.situation(device.rally(), court.ana, "feet")
        write(court, entry(court, "listed"))
        device.do("mark.set", f"{situation}/F1", {"value": "met"})
        for _ in range(2):
            with pytest.raises(ValidationError, match="before the first one"):
                write(court, entry(court, "after"))
            device.do("mark.set", f"{situation}/F1", {"value": None})
        assert not Mark.objects.exists()
        assert [hunch.text for hunch in Hunch.objects.all()] == ["listed"]

    def test_a_new_version_keeps_them(self, court: Court) -> None:
        write(court, entry(court, "kept"))
        judged(court, "missed")
        state(court, "published")
        fresh = new_version(by=court.cast.head_coach, analysis=court.analysis)
        assert [(row.text, row.position) for row in fresh.hunches.all()] == [("kept", 1)]
        assert court.analysis.hunches.count() == 1


class TestAnswers:
    def test_they_are_said_in_counts_with_their_interval(self, court: Court) -> None:
        write(court, entry(court), entry(court, "b", "F2"), entry(court, "c", says="met"))
        judged(court, *["missed"] * 9, "met", "not_seen")
        state(court, "submitted")
        assert words(court, mine=False) == [
            "missed in 9 of 10 (72 to 97 %): it holds",
            "nothing of it was counted: it cannot be said",
            "met in 1 of 10 (3 to 28 %): it does not hold",
        ]
        verdicts = [answer.verdict for answer in answers_of(court.analysis, mine=False)]
        assert verdicts == ["holds", "few", "not"]

    def test_too_few_and_too_close_are_two_things(self, court: Court) -> None:
        write(court, entry(court))
        state(court, "submitted")
        judged(court, *["missed"] * 9, *["met"] * 5)
        assert words(court) == ["missed in 9 of 14 (47 to 78 %): 14 are too few to say"]
        judged(court, *["missed"] * 13, *["met"] * 17)
        assert words(court) == ["missed in 22 of 44 (41 to 59 %): too close to one half to say"]

    def test_only_what_counts_answers(self, court: Court) -> None:
        write(court, entry(court))
        judged(court, *["missed"] * 8)
        judged(court, *["met"] * 3, shown_only=True)
        judged(court, *["met"] * 3, dropped=True)
        judged(court, *["met"] * 3, not_codable="blocked_view")
        judged(court, *["met"] * 3)
        Closure.objects.filter(rally__number__gt=17).delete()
        state(court, "published")
        assert words(court) == ["missed in 8 of 8 (83 to 100 %): it holds"]

    def test_a_situation_counts_once_for_an_area_as_a_whole(self, court: Court) -> None:
        """Three checks of one situation are no three situations, and a tie bears nothing out."""
        write(court, entry(court, code=None), entry(court, code=None, says="met"))
        judged(court, "missed", "missed", "met")
        codes = {check.code: check for check in Check.objects.filter(club=court.cast.club)}
        first, second, third = court.analysis.situations.order_by("hit_s")
        for situation, values in ((first, "missed met"), (second, "met"), (third, "met met")):
            for code, value in zip(("F2", "F4"), values.split(), strict=False):
                Mark.objects.create(situation=situation, check_identity=codes[code], value=value)
        state(court, "submitted")
        told = words(court)
        assert told[0].startswith("more missed than met in 1 of 3 (")
        assert told[1].startswith("more met than missed in 1 of 3 (")

    def test_a_drawn_plan_is_answered_by_its_draw(self, cast: Any) -> None:
        court = make_court(cast, plan="drawn")
        write(court, entry(court))
        judged(court, *["missed"] * 7, drawn=True)
        judged(court, *["met"] * 7)
        state(court, "submitted")
        assert words(court) == ["missed in 7 of 7 (81 to 100 %): it holds"]

    def test_what_is_chosen_by_hand_answers_none(self, cast: Any) -> None:
        court = make_court(cast, plan="chosen")
        write(court, entry(court))
        judged(court, *["missed"] * 7)
        state(court, "published")
        assert words(court) == ["not answered yet"]

    def test_before_it_is_handed_in_only_the_analyst_and_only_when_all_is_marked(self, cast: Any) -> None:
        court = make_court(cast, plan="drawn")
        write(court, entry(court))
        judged(court, "missed", "missed", drawn=True)
        assert words(court) == ["not answered yet"], "nothing is drawn in this match yet"
        Draw.objects.create(match=court.match, area=court.area("feet"), seed=1, planned=2)
        assert words(court) == ["not answered yet"], "of four checks one is marked"
        for situation in court.analysis.situations.all():
            for code in ("F2", "F4", "F5"):
                check = Check.objects.get(club=cast.club, code=code)
                Mark.objects.create(situation=situation, check_identity=check, value="met")
        assert words(court)[0].startswith("missed in 2 of 2 (")
        assert words(court, mine=False) == ["not answered yet"]
        closure = Closure.objects.first()
        closure.delete()
        assert words(court) == ["not answered yet"], "an area that is open does not count yet"
        closure.save(force_insert=True)
        judged(court, "met")
        assert words(court)[0].startswith("missed in 2 of 2 ("), "one that is not drawn is not waited for"
        state(court, "cancelled")
        assert words(court) == ["not answered yet"]

    def test_where_everything_counts_no_area_may_be_open(self, court: Court) -> None:
        LensArea.objects.filter(analysis=court.analysis).exclude(area__code="feet").delete()
        write(court, entry(court, code="F5"))
        judged(court, "missed", code="F5", end="far")
        assert words(court)[0].startswith("missed in 1 of 1 (")
        make.make_rally(court.match, 2)
        assert words(court) == ["not answered yet"]

    def test_they_cost_as_many_queries_for_many(self, court: Court) -> None:
        write(court, *[entry(court)] * 3)
        state(court, "submitted")

        def queries() -> int:
            with CaptureQueriesContext(connection) as caught:
                words(court)
            return len(caught)

        judged(court, "missed")
        few = queries()
        judged(court, *["missed"] * 20)
        assert queries() == few <= 6


class TestPage:
    def post(self, court: Court, person: Any = None, **data: str) -> Any:
        return court.cast.client(person or court.cast.assistant).post(url(court), data)

    def test_it_is_written_and_stands_on_the_analysis_and_in_the_state(self, court: Court) -> None:
        client = court.cast.client(court.cast.assistant)
        page = client.get(url(court)).content.decode()
        assert "F1 " in page
        assert page.count('name="text_') == 3
        answer = self.post(
            court,
            text_1="She waits",
            about_1="feet/F1",
            says_1="missed",
            text_3="Lobs land",
            about_3="lob",
            says_3="met",
        )
        assert answer.status_code == 302
        there = f"/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/"
        assert answer["Location"] == there
        assert "Not answered yet." in client.get(there).content.decode()
        assert court.state()["hunches"] == [
            {"position": 1, "text": "She waits", "area": "feet", "check": "F1", "says": "missed"},
            {"position": 2, "text": "Lobs land", "area": "lob", "check": None, "says": "met"},
        ]
        assert url(court) in client.get(f"{there}sheet/").content.decode()

    def test_half_a_line_is_refused_with_what_was_typed(self, court: Court) -> None:
        answer = self.post(court, text_1="She waits", about_2="feet", text_3="x" * 201, about_3="nets")
        assert answer.status_code == 422
        page = answer.content.decode()
        assert "Choose the area or check that answers it." in page
        assert "Say in words what you expect." in page
        assert "She waits" in page
        assert not Hunch.objects.exists()

    def test_after_the_first_mark_it_is_to_read(self, court: Court) -> None:
        write(court, entry(court, "Heels"))
        judged(court, "missed")
        page = court.cast.client(court.cast.assistant).get(url(court)).content.decode()
        assert "Heels" in page
        assert 'name="text_1"' not in page
        answer = self.post(court, text_1="After", about_1="feet")
        assert answer.status_code == 422
        assert "a hunch is written before the first one" in answer.content.decode()
        assert [hunch.text for hunch in Hunch.objects.all()] == ["Heels"]

    def test_a_reviewer_reads_and_cannot_write(self, court: Court) -> None:
        write(court, entry(court, "Heels"))
        answer = court.cast.client(court.cast.head_coach).get(url(court))
        assert "Heels" in answer.content.decode()
        assert b'name="text_1"' not in answer.content
        assert self.post(court, court.cast.head_coach, text_1="Mine", about_1="feet").status_code == 403

    @pytest.mark.parametrize(
        ("who", "status"),
        [("manager", 403), ("student", 403), ("guardian", 403), ("two_clubs", 404), ("stranger", 404)],
    )
    def test_who_may_not_open_it(self, court: Court, who: str, status: int) -> None:
        person = getattr(court.cast, who)
        assert court.cast.client(person).get(url(court)).status_code == status
        assert self.post(court, person, text_1="x", about_1="feet").status_code == status
        assert not Hunch.objects.exists()

    def test_nobody_reads_a_count_while_she_marks(self, court: Court) -> None:
        write(court, entry(court))
        judged(court, *["missed"] * 9)
        LensArea.objects.filter(analysis=court.analysis).exclude(area__code="feet").delete()
        for person in (court.cast.assistant, court.cast.head_coach):
            for path in (url(court), url(court).replace("first-look/", "")):
                assert "9 of 9" not in court.cast.client(person).get(path).content.decode()
        assert "9" not in str(court.state()["hunches"])
        state(court, "submitted")
        page = court.cast.client(court.cast.head_coach).get(url(court)).content.decode()
        assert "Missed in 9 of 9" in page
        assert "because" not in page.lower()


def test_a_check_that_left_the_list_still_has_its_name(court: Court) -> None:
    write(court, entry(court))
    Check.objects.filter(code="F1").update(retired_on="2026-01-01")
    (answer,) = answers_of(court.analysis, mine=True)
    assert answer.about.startswith("F1 ")
    assert len(answer.about) > 4


def test_units_that_the_analysis_no_longer_covers_answer_nothing(court: Court) -> None:
    write(court, entry(court))
    judged(court, *["missed"] * 9)
    court.analysis.covers.filter(unit=Unit.objects.get(kind="player", first=court.cast.ana)).delete()
    state(court, "submitted")
    assert words(court) == ["nothing of it was counted: it cannot be said"]
