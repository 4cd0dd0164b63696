"""What is given for the week, what is refused, and that an entry sent twice is one."""

import uuid
from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.models import AuditEvent
from players.lists import install_drills
from players.models import Check, Drill, Unit
from reports.focus import propose, set_focus
from reports.homework import current_homework, give_homework, log_homework, monday_of, withdraw_homework
from reports.models import FocusPoint, Homework, HomeworkLog
from tests import factories as make
from tests.reports.published import expect, publish_rows, unit_of

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 9, 10, 12, tzinfo=UTC)
MONDAY = date(2026, 9, 7)
POOR = (20, 1)


def add_drill(cast, code="d1", checks=(), stage="fed", place="court", overheads=0, **fields):
    drill = Drill.objects.create(
        club=fields.pop("club", cast.club),
        code=code,
        name=fields.pop("name", code),
        stage=stage,
        place=place,
        overheads=overheads,
        minutes=10,
        dose="3 sets of 10",
        passing="7 of 10 twice",
        **fields,
    )
    found = list(Check.objects.filter(club=drill.club, code__in=checks))
    drill.checks.set(found)
    drill.areas.set({check.area for check in found})
    return drill


def given(player):
    return [(row.drill.code, row.week_of, row.times) for row in Homework.objects.filter(player=player)]


@pytest.fixture
def drill(cast):
    return add_drill(cast)


@pytest.fixture
def row(cast, drill):
    return give_homework(by=cast.head_coach, player=cast.ana, drill=drill, now=NOW)


class TestSuggest:
    def test_the_simplest_stage_and_one_promise(self, cast):
        expect(cast.ana.level)
        add_drill(cast, "play", ["L2"], "in_play")
        add_drill(cast, "fed", ["L2"], "fed")
        add_drill(cast, "shadow", ["L2"], "shadow", retired_on=date(2026, 1, 1))
        add_drill(cast, "promise", ["L2"], "in_play", "in_your_match")
        propose(analysis=publish_rows(cast, {unit_of(cast.ana): {"L2": POOR}}), now=NOW)
        assert given(cast.ana) == [("fed", MONDAY, 3), ("promise", MONDAY, 1)]
        assert set(Homework.objects.values_list("focus", flat=True)) == {FocusPoint.objects.get().pk}

    def test_one_promise_a_week_whatever_the_points(self, cast):
        expect(cast.ana.level)
        for code in ("L2", "B1", "F1"):
            add_drill(cast, f"shadow-{code}".lower(), [code], "shadow")
            add_drill(cast, f"promise-{code}".lower(), [code], "in_play", "in_your_match")
        propose(
            analysis=publish_rows(cast, {unit_of(cast.ana): {"L2": POOR, "B1": POOR, "F1": POOR}}), now=NOW
        )
        rows = Homework.objects.filter(player=cast.ana)
        assert rows.exclude(drill__place="in_your_match").count() == 3
        assert rows.filter(drill__place="in_your_match").count() == 1

    def test_a_promise_of_the_area_where_the_check_has_none(self, cast):
        expect(cast.ana.level)
        add_drill(cast, "promise", ["L6"], "in_play", "in_your_match")
        propose(analysis=publish_rows(cast, {unit_of(cast.ana): {"L2": POOR}}), now=NOW)
        assert [code for code, *_rest in given(cast.ana)] == ["promise"]

    @pytest.mark.parametrize(("overheads", "adult", "minor"), [(15, 1, 1), (16, 1, 0), (31, 0, 0)])
    def test_no_more_overheads_than_the_cautions_allow(self, cast, overheads, adult, minor):
        expect(cast.ana.level)
        add_drill(cast, "overheads", ["B1"], "fed", overheads=overheads)
        for player in (cast.ana, cast.ben):
            propose(analysis=publish_rows(cast, {unit_of(player): {"B1": POOR}}, seed=player.pk), now=NOW)
        assert (len(given(cast.ana)), len(given(cast.ben))) == (adult, minor)

    def test_overheads_add_up_over_the_week(self, cast):
        expect(cast.ana.level)
        add_drill(cast, "twenty", ["B3"], "fed", overheads=20)
        add_drill(cast, "ten", ["B2"], "varied", overheads=10)
        add_drill(cast, "twelve", ["B2"], "fed", overheads=12)
        propose(analysis=publish_rows(cast, {unit_of(cast.ana): {"B3": (20, 0), "B2": (20, 2)}}), now=NOW)
        assert [code for code, *_rest in given(cast.ana)] == ["twenty", "ten"]

    def test_a_pair_s_point_gives_to_both(self, cast):
        expect(cast.ana.level)
        add_drill(cast, "net", ["N1"], "fed")
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        propose(analysis=publish_rows(cast, {pair: {"N1": POOR}}), now=NOW)
        assert given(cast.ana) == given(cast.dan) == [("net", MONDAY, 3)]

    def test_monday_is_that_of_the_club(self, cast):
        cast.club.time_zone = "Pacific/Auckland"
        cast.club.save(update_fields=["time_zone"])
        add_drill(cast, "lob", ["L2"])
        sunday_evening = datetime(2026, 9, 13, 20, tzinfo=UTC)
        check = Check.objects.get(club=cast.club, code="L2")
        set_focus(by=cast.head_coach, unit=unit_of(cast.ana), check=check, now=sunday_evening)
        assert given(cast.ana) == [("lob", date(2026, 9, 14), 3)]

    def test_the_library_has_a_drill_and_a_promise_for_every_check_of_the_areas_on(self, cast):
        from players.lists import default_data

        data = default_data("drills")
        known = set(Check.objects.filter(club=cast.club).values_list("code", flat=True))
        data["drills"] = [row for row in data["drills"] if set(row["checks"]) <= known]
        install_drills(by=cast.head_coach, club=cast.club, data=data)
        for check in Check.objects.filter(club=cast.club, kind="doing", unit="player"):
            player = make.make_player(cast.club, f"For {check.code}")
            set_focus(by=cast.head_coach, unit=unit_of(player), check=check, now=NOW)
            places = {row.drill.place for row in player.homework.select_related("drill")}
            assert "in_your_match" in places, check.code
            assert len(places) == 2, check.code


class TestGive:
    def test_for_this_week_unless_another_is_named(self, cast, row):
        assert (row.week_of, row.times, row.given_by) == (MONDAY, 3, cast.head_coach)
        later = give_homework(
            by=cast.head_coach, player=cast.ana, drill=row.drill, week_of=date(2026, 9, 16), times=2, now=NOW
        )
        assert (later.week_of, later.times) == (date(2026, 9, 14), 2)
        assert AuditEvent.objects.filter(action="homework.given").count() == 2

    def test_refusals(self, cast, row, drill):
        def told(field, **changed):
            call = {"by": cast.head_coach, "player": cast.ana, "drill": drill, "now": NOW, **changed}
            with pytest.raises(ValidationError) as caught:
                give_homework(**call)
            assert list(caught.value.message_dict) == [field]
            return caught.value.message_dict[field][0]

        assert "already" in told("drill")
        assert "no drill" in told("drill", drill=add_drill(cast, "x", club=cast.other_club))
        assert "out of use" in told("drill", drill=add_drill(cast, "y", retired_on=MONDAY))
        assert "past" in told("week_of", week_of=date(2026, 9, 6))
        assert told("times", week_of=date(2026, 9, 16), times=0)
        assert told("times", week_of=date(2026, 9, 16), times=8)
        assert "15 overheads" in told("drill", player=cast.ben, drill=add_drill(cast, "z", overheads=16))
        check = Check.objects.get(club=cast.club, code="L2")
        point = set_focus(by=cast.head_coach, unit=unit_of(cast.dan), check=check, now=NOW)
        assert told("focus", focus=point, week_of=date(2026, 9, 16))
        with pytest.raises(PermissionDenied):
            give_homework(by=cast.assistant, player=cast.dan, drill=drill, now=NOW)
        assert Homework.objects.filter(player=cast.ana).count() == 1

    def test_taken_back_and_given_again_is_one_row(self, cast, row):
        with pytest.raises(PermissionDenied):
            withdraw_homework(by=cast.student, row=row)
        withdraw_homework(by=cast.head_coach, row=row)
        with pytest.raises(ValidationError):
            withdraw_homework(by=cast.head_coach, row=row)
        again = give_homework(by=cast.head_coach, player=cast.ana, drill=row.drill, times=5, now=NOW)
        assert (again.pk, again.withdrawn_at, again.times) == (row.pk, None, 5)


class TestLog:
    def log(self, cast, row, **changed):
        call = {
            "by": cast.student,
            "homework": row,
            "uuid": uuid.uuid4(),
            "done_on": date(2026, 9, 10),
            "good": 8,
            "tried": 10,
            "felt": "easy",
            "now": NOW,
        }
        return log_homework(**call | changed)

    def test_eight_of_ten_felt_easy(self, cast, row):
        entry = self.log(cast, row)
        assert (entry.good, entry.tried, entry.felt, entry.logged_by) == (8, 10, "easy", cast.student)
        audit = AuditEvent.objects.get(action="homework.logged")
        assert audit.fields == ["done_on", "felt", "good", "tried"]

    def test_sent_twice_it_is_one_entry(self, cast, row):
        key = uuid.uuid4()
        first = self.log(cast, row, uuid=key)
        again = self.log(cast, row, uuid=key, good=3)
        assert again == first
        assert HomeworkLog.objects.get().good == 8
        assert AuditEvent.objects.filter(action="homework.logged").count() == 1

    def test_another_drill_s_entry_is_not_overwritten(self, cast, row):
        key = uuid.uuid4()
        self.log(cast, row, uuid=key)
        other = give_homework(by=cast.head_coach, player=cast.ana, drill=add_drill(cast, "d2"), now=NOW)
        with pytest.raises(ValidationError):
            self.log(cast, other, uuid=key)

    @pytest.mark.parametrize(
        ("field", "changed"),
        [
            ("good", {"good": 11}),
            ("good", {"good": -1}),
            ("tried", {"good": 0, "tried": 0}),
            ("tried", {"tried": 101}),
            ("done_on", {"done_on": date(2026, 9, 11)}),
            ("done_on", {"done_on": date(2026, 9, 6)}),
            ("felt", {"felt": "great"}),
        ],
    )
    def test_refusals_write_nothing(self, cast, row, field, changed):
        with pytest.raises(ValidationError) as caught:
            self.log(cast, row, **changed)
        assert list(caught.value.message_dict) == [field]
        assert not HomeworkLog.objects.exists()

    def test_today_is_that_of_the_club(self, cast, row):
        cast.club.time_zone = "Pacific/Auckland"
        cast.club.save(update_fields=["time_zone"])
        row.refresh_from_db()
        evening = datetime(2026, 9, 10, 20, tzinfo=UTC)
        assert self.log(cast, row, done_on=date(2026, 9, 11), now=evening).pk

    def test_taken_back(self, cast, row):
        withdraw_homework(by=cast.head_coach, row=row)
        row.refresh_from_db()
        with pytest.raises(ValidationError, match="took this drill back"):
            self.log(cast, row)

    @pytest.mark.parametrize("person", ["guardian", "all_in_one", "head_coach", "manager", "stranger"])
    def test_somebody_else_s(self, cast, row, person):
        with pytest.raises(PermissionDenied):
            self.log(cast, row, by=getattr(cast, person))
        assert not HomeworkLog.objects.exists()

    def test_a_guardian_logs_for_the_child_until_it_is_of_age(self, cast, drill):
        row = give_homework(by=cast.head_coach, player=cast.ben, drill=drill, now=NOW)
        assert self.log(cast, row, by=cast.guardian).logged_by == cast.guardian
        cast.ben.born_on = date(2000, 1, 1)
        cast.ben.save(update_fields=["born_on"])
        with pytest.raises(PermissionDenied):
            self.log(cast, row, by=cast.guardian)


def test_what_there_is_to_do_now(cast):
    drills = [add_drill(cast, code) for code in ("a", "b", "c")]
    today = date(2026, 9, 10)
    for drill, weeks in zip(drills, (2, 1, -1), strict=True):
        Homework.objects.create(player=cast.ana, drill=drill, week_of=MONDAY - timedelta(weeks=weeks))
    assert [row.drill.code for row in current_homework(cast.ana, today)] == ["b"]
    Homework.objects.filter(drill__code="b").update(withdrawn_at=NOW)
    assert [row.drill.code for row in current_homework(cast.ana, today)] == ["a"]
    assert current_homework(cast.dan, today) == []


def test_monday():
    assert [monday_of(MONDAY + timedelta(days=n)) for n in range(8)] == [MONDAY] * 7 + [MONDAY + timedelta(7)]


def test_a_coach_who_is_a_student_too_logs_her_own(cast, drill):
    row = give_homework(by=cast.head_coach, player=cast.cleo, drill=drill, now=NOW)
    assert TestLog().log(cast, row, by=cast.all_in_one).pk
