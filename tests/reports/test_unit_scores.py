"""What a coach reads of scores on a unit's page: change, cause, sureness, what to look for, sets, goals."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from players.models import Check, CheckWording, Goal, Unit
from reports.models import Score
from reports.next_looks import asked_shares
from reports.scoring import full_fit
from sessions.models import Tally
from tests import factories as make
from tests.reports.pages import publish, text
from tests.reports.published import FIRST, expect, publish_rows, unit_of

pytestmark = pytest.mark.django_db
LOB = {"L2": (60, 30), "L3": (60, 30), "L6": (60, 30)}


def look(cast, unit, query="", person=None):
    return cast.client(person or cast.head_coach).get(reverse("unit", args=["seaside", unit.pk]) + query)


@pytest.fixture
def ana(cast):
    return unit_of(cast.ana)


def some_players(cast, n=6):
    return [unit_of(make.make_player(cast.club, f"P{number}", level=cast.ana.level)) for number in range(n)]


def days(n, step=14):
    return [FIRST + timedelta(days=step * number) for number in range(n)]


class TestStrictAndLenient:
    @pytest.fixture
    def fitted(self, cast, ana):
        """Two who play alike, each seen by one analyst only; six others are seen by both, and hold the two together."""
        strict = {code: (30, 11) for code in ("L2", "L3", "L6")}
        kind = {code: (30, 20) for code in ("L2", "L3", "L6")}
        dan, others = unit_of(cast.dan), some_players(cast)
        for number, day in enumerate(days(3)):
            publish_rows(cast, {ana: strict}, day=day, analyst=cast.assistant, seed=1)
            publish_rows(cast, {dan: kind}, day=day, analyst=cast.head_coach, seed=2)
            for seed, analyst, shares in ((3, cast.assistant, strict), (4, cast.head_coach, kind)):
                on = day + timedelta(days=1 + seed)
                publish_rows(
                    cast, dict.fromkeys(others, shares), day=on, analyst=analyst, seed=seed + 10 * number
                )
        full_fit(club=cast.club)
        return dan

    def test_raw_shares_differ_and_scores_agree(self, cast, ana, fitted):
        shown = {}
        for unit in (ana, fitted):
            answer = look(cast, unit, "?area=lob")
            (row,) = [row for row in answer.context["areas"] if row.area.code == "lob"]
            shown[unit] = (100 * row.counted.met / row.counted.seen, row.standing.score, text(answer))
        (raw_a, score_a, words_a), (raw_d, score_d, words_d) = shown.values()
        print(
            f"\ncounts {raw_a:.0f} and {raw_d:.0f} %, scores {score_a.score:.0f} ({score_a.low:.0f} to"
            f" {score_a.high:.0f}) and {score_d.score:.0f} ({score_d.low:.0f} to {score_d.high:.0f})"
        )
        assert raw_d - raw_a == pytest.approx(30)
        assert abs(score_a.score - score_d.score) < 5
        assert "The count is lower than the score: most was seen by a stricter eye" in words_a
        assert "The count is higher than the score: most was seen by a kinder eye" in words_d

    def test_severity_in_the_interface_by_name_and_one_s_own(self, cast, fitted):
        url = "/c/seaside/api/v1/severity/"
        rows = cast.client(cast.head_coach).get(url).json()
        assert [row["analyst"] for row in rows] == sorted(row["analyst"] for row in rows)
        by_words = {row["words"]: row for row in rows}
        assert set(by_words) == {
            "stricter than the others; the scores allow for it",
            "kinder than the others; the scores allow for it",
        }
        strict = by_words["stricter than the others; the scores allow for it"]
        assert strict["severity"] == pytest.approx(0.6, abs=0.15)
        assert 0 < strict["sd"] < 0.3
        assert strict["n"] == 3 * 30 * 3 * (1 + 6)
        (own,) = cast.client(cast.assistant).get(url).json()
        assert own == strict
        assert cast.client(cast.two_clubs).get(url).json() == []
        for person in (cast.manager, cast.student, cast.guardian):
            assert cast.client(person).get(url).status_code == 403
        assert cast.client(cast.stranger).get(url).status_code == 404

    def test_who_came_after_the_fit_is_not_known_yet(self, cast, fitted):
        publish_rows(cast, {fitted: LOB}, day=date(2026, 11, 1), analyst=cast.two_clubs)
        (row,) = cast.client(cast.two_clubs).get("/c/seaside/api/v1/severity/").json()
        assert (row["severity"], row["sd"], row["n"]) == (None, None, 180)
        assert "not known yet" in row["words"]

    def test_as_many_queries_for_many_analysts(self, cast, fitted):
        def needed():
            client = cast.client(cast.head_coach)
            with CaptureQueriesContext(connection) as caught:
                assert client.get("/c/seaside/api/v1/severity/").status_code == 200
            return len(caught)

        few = needed()
        for number in range(12):
            person = make.make_member(cast.club, "assistant", name=f"A{number}")
            publish_rows(cast, {fitted: LOB}, day=date(2026, 11, 1), analyst=person, seed=number)
        assert needed() == few


class TestChange:
    @pytest.fixture
    def grown(self, cast, ana):
        expect(cast.ana.level)
        others = some_players(cast)
        for number, day in enumerate(days(4)):
            met = 15 + 12 * number
            shares = {code: (60, met) for code in ("L2", "L3", "L6")}
            publish_rows(cast, {ana: shares, **dict.fromkeys(others, LOB)}, day=day)
        full_fit(club=cast.club)
        return days(4)

    def test_since_the_first_day_and_since_a_chosen_one(self, cast, ana, grown):
        answer = look(cast, ana, "?area=lob")
        words = text(answer)
        assert "Since 1 Sep 2026: clearly better; +" in words
        assert "What the five phrases mean" in words
        body = answer.content.decode()
        for day in grown[:-1]:
            assert f'<option value="{day.isoformat()}"' in body
        assert f'value="{grown[-1].isoformat()}"' not in body
        assert '<option value="2026-09-01" selected>' in body
        assert '<input type="hidden" name="area" value="lob"' in body
        later = look(cast, ana, f"?area=lob&since={grown[2].isoformat()}")
        assert "Since 29 Sep 2026: " in text(later)
        first, last = (found.context["opened"].trend.change.points for found in (answer, later))
        assert first > last > 0

    def test_a_day_between_two_matches(self, cast, ana, grown):
        answer = look(cast, ana, "?area=lob&since=2026-09-20")
        assert "Since 20 Sep 2026: " in text(answer)
        assert '<option value="2026-09-20" selected>' in answer.content.decode()

    @pytest.mark.parametrize(
        ("since", "sentence"),
        [
            ("2999-01-01", "nothing can have changed since 1 Jan 2999"),
            ("2026-08-01", "Nothing was seen here before 1 Sep 2026"),
            ("soon", "“soon” is no date. Choose one of the match days."),
            ("<script>", "“<script>” is no date"),
            ("2026-10-13", "The last match day here is 13 Oct 2026"),
        ],
    )
    def test_a_day_that_is_none_is_said(self, cast, ana, grown, since, sentence):
        answer = look(cast, ana, f"?area=lob&since={since}")
        assert answer.status_code == 200
        assert sentence in text(answer)
        assert answer.context["opened"].trend.change is None
        assert b"<script>" not in answer.content.replace(b"<script src", b"")
        assert look(cast, ana, f"?since={since}").status_code == 200

    def test_the_student_reads_the_phrase_and_no_points_and_no_chance(self, cast, ana, grown):
        url = reverse("student_page", args=["seaside", cast.ana.uuid])
        client = cast.client(cast.student)
        words = text(client.get(url))
        assert "Since 1 Sep 2026: clearly better." in words
        assert "the chance that it is better" not in words
        assert "points" not in words.split("Since 1 Sep 2026")[1][:60]
        later = client.get(f"{url}?since=2026-09-29")
        assert "Since 29 Sep 2026: " in text(later)
        wrong = client.get(f"{url}?since=never")
        assert (wrong.status_code, "“never” is no date" in text(wrong)) == (200, True)
        assert "Since " not in text(wrong).split("How it goes")[1].split("What the five")[0]

    def test_of_a_minor_the_family_reads_no_chance_and_coaches_do(self, cast):
        publish(cast, cast.ben)
        url = reverse("student_page", args=["seaside", cast.ben.uuid])
        words = text(cast.client(cast.guardian).get(f"{url}?since=2026-09-01"))
        assert "Since 1 Sep" not in words
        assert "five phrases" not in words
        assert "Since 1 Sep 2026: " in text(cast.client(cast.head_coach).get(url))

    def test_one_match_day_has_no_change_to_tell(self, cast, ana):
        publish_rows(cast, {ana: LOB})
        full_fit(club=cast.club)
        answer = look(cast, ana, "?area=lob&since=2026-09-01")
        assert answer.status_code == 200
        assert answer.context["opened"].asked is None


class TestHowSure:
    def test_what_was_seen_when_by_whom_on_which_balls(self, cast, ana):
        publish_rows(cast, {ana: {"L2": (40, 20), "L3": (40, 20)}}, analyst=cast.assistant)
        publish_rows(cast, {ana: {"L2": (50, 20)}}, day=FIRST + timedelta(days=7), analyst=cast.head_coach)
        Tally.objects.filter(day=FIRST, check_identity__code="L2").update(ball="hard")
        full_fit(club=cast.club)
        answer = look(cast, ana, "?area=lob")
        first, second = answer.context["opened"].trend.behind.days
        assert (first.seen, first.met, first.easy, first.normal, first.hard) == (80, 40, 0, 40, 40)
        assert (second.seen, second.met, second.normal) == (50, 20, 50)
        assert [name.split()[0] for name in first.analysts + second.analysts] == ["Aldo", "Hana"]
        score = answer.context["opened"].trend.behind.score
        assert f"{score.score:.0f} ({score.low:.0f} to {score.high:.0f}), 130 checks seen" in text(answer)
        drawer = answer.content.decode().split('class="drawer-body"')
        assert max(part.split("</details>")[0].count("<li>") for part in drawer) >= 10

    def test_the_student_reads_by_how_many_and_no_names_or_counts_of_met(self, cast, ana):
        expect(cast.ana.level)
        for number, person in enumerate((cast.assistant, cast.head_coach)):
            publish_rows(cast, {ana: LOB}, day=days(2)[number], analyst=person)
        full_fit(club=cast.club)
        answer = cast.client(cast.student).get(reverse("student_page", args=["seaside", cast.ana.uuid]))
        words = text(answer)
        assert "Looked at by 2 coaches. About 5 in 10; we have seen 360" in words
        for name in ("Aldo", "Hana", "Analyst"):
            assert name not in words
        assert "180 checks" not in words

    def test_one_eye_is_said_only_where_there_is_one(self, cast, ana):
        told = "cannot be told apart here"
        publish_rows(cast, {ana: LOB})
        publish_rows(cast, {ana: LOB}, day=days(2)[1])
        full_fit(club=cast.club)
        student = reverse("student_page", args=["seaside", cast.ana.uuid])
        assert told in text(look(cast, ana, "?area=lob"))
        assert told in text(cast.client(cast.student).get(student))
        publish_rows(cast, {unit_of(cast.dan): LOB}, analyst=cast.head_coach, seed=2)
        full_fit(club=cast.club)
        assert told not in text(look(cast, ana, "?area=lob"))
        assert told not in text(cast.client(cast.student).get(student))


class TestLookNext:
    def test_the_least_seen_against_how_often_the_list_asks(self, cast, ana):
        # Each is in one of the area's two asked sets; B4 is in none, though nobody ever saw it.
        publish_rows(cast, {ana: {"B1": (4, 2), "B2": (4, 2), "B3": (1, 1), "B5": (3, 1), "B6": (2, 1)}})
        full_fit(club=cast.club)
        answer = look(cast, ana, "?area=bandeja")
        (row,) = [row for row in answer.context["areas"] if row.area.code == "bandeja"]
        doing = set(Check.objects.filter(area=row.area, kind="doing").values_list("code", flat=True))
        codes = [wording.check_identity.code for wording in row.look_next]
        assert set(codes) <= doing
        assert codes == ["B3", "B6", "B1"]
        words = text(answer)
        assert "more and we can say" in words
        assert f"Look for these next: {row.look_next[0].name}" in words

    def test_a_check_that_is_asked_less_often_is_seen_less_without_being_behind(self):
        asked = {"any": ["L2", "L3"], "a": ["L1"], "b": ["L2", "L3"]}
        shares = asked_shares({"areas": [{"asked": asked}, {"asked": {"any": ["F1"]}}]})
        assert shares == {"L1": 1 / 3, "L2": 2 / 3, "L3": 2 / 3, "F1": 1.0}
        assert asked_shares({}) == {}

    def test_what_is_retired_or_not_asked_is_not_looked_for(self, cast, ana):
        publish_rows(cast, {ana: {"L2": (4, 2), "L3": (1, 0), "L6": (2, 1)}})
        Check.objects.filter(club=cast.club, code="L3").update(retired_on=FIRST)
        CheckWording.objects.filter(version=cast.check_list, check_identity__code="L6").update(asked=False)
        full_fit(club=cast.club)
        answer = look(cast, ana, "?area=lob")
        (row,) = [row for row in answer.context["areas"] if row.area.code == "lob"]
        assert not {"L3", "L6"} & {wording.check_identity.code for wording in row.look_next}

    def test_nothing_where_enough_was_seen(self, cast, ana):
        publish(cast, cast.ana)
        (row,) = [row for row in look(cast, ana).context["areas"] if row.area.code == "lob"]
        assert row.said
        assert row.look_next == []


class TestSets:
    @pytest.fixture
    def two(self, cast, ana):
        dan = unit_of(cast.dan)
        for day in days(2):
            publish_rows(cast, {ana: LOB}, day=day, analyst=cast.assistant)
            publish_rows(cast, {dan: LOB}, day=day, analyst=cast.head_coach, seed=2)
        full_fit(club=cast.club)
        return dan

    def test_a_mark_and_a_sentence_where_scores_stand_together(self, cast, ana, two):
        words = text(look(cast, ana))
        assert "fall into 2 sets that share no analyst, and this is set 1" in words
        assert "this is set 2" in text(look(cast, two))
        programme = text(cast.client(cast.manager).get(reverse("programme", args=["seaside"])))
        assert "fall into 2 sets that share no analyst" in programme
        assert f"{cast.ana.name} (set 1)" in programme
        assert f"{cast.dan.name} (set 2)" in programme
        assert f"{cast.cleo.name} (set" not in programme

    def test_one_match_across_joins_them(self, cast, ana, two):
        publish_rows(cast, {two: LOB}, day=date(2026, 11, 1), analyst=cast.assistant)
        assert "share no analyst" not in text(look(cast, ana))
        programme = text(cast.client(cast.manager).get(reverse("programme", args=["seaside"])))
        assert "(set " not in programme

    def test_an_empty_club_and_one_unit_have_no_sets(self, cast, ana):
        client = cast.client(cast.manager)
        assert "share no analyst" not in text(client.get(reverse("programme", args=["seaside"])))
        publish_rows(cast, {ana: LOB})
        full_fit(club=cast.club)
        assert "share no analyst" not in text(client.get(reverse("programme", args=["seaside"])))
        assert "share no analyst" not in text(look(cast, ana))


class TestGoals:
    def goal(self, cast, unit, target, due_on):
        return Goal.objects.create(
            unit=unit, area=cast.club.areas.get(code="lob"), target=target, due_on=due_on
        )

    def test_a_chance_in_words_for_coaches(self, cast, ana):
        publish(cast, cast.ana)
        later = cast.club.today() + timedelta(days=30)
        goal = self.goal(cast, ana, 95, later)
        assert "the chance to be there by then is less than 1 in 10" in text(look(cast, ana))
        Goal.objects.filter(pk=goal.pk).update(target=5)
        assert "the chance to be there by then is more than 9 in 10" in text(
            look(cast, ana, person=cast.assistant)
        )
        Goal.objects.filter(pk=goal.pk).update(due_on=cast.club.today() - timedelta(days=1))
        assert "the chance to be there" not in text(look(cast, ana))

    def test_not_of_a_minor_nor_of_a_pair_with_one(self, cast):
        publish(cast, cast.ben)
        later = cast.club.today() + timedelta(days=30)
        self.goal(cast, unit_of(cast.ben), 60, later)
        assert "the chance to be there" not in text(look(cast, unit_of(cast.ben)))

    def test_not_where_too_little_was_seen(self, cast, ana):
        publish_rows(cast, {ana: {"L2": (5, 2)}})
        full_fit(club=cast.club)
        self.goal(cast, ana, 60, cast.club.today() + timedelta(days=30))
        assert "the chance to be there" not in text(look(cast, ana))


class TestBadInput:
    @pytest.mark.parametrize("query", ["", "?area=lob", "?area=lob&since=2026-09-01", "?since=&area="])
    def test_a_club_without_anything(self, cast, ana, query):
        assert look(cast, ana, query).status_code == 200
        assert cast.client(cast.head_coach).get("/c/seaside/api/v1/severity/").json() == []
        student = reverse("student_page", args=["seaside", cast.ana.uuid]) + query
        assert cast.client(cast.student).get(student).status_code == 200

    def test_one_unit_and_scores_whose_fit_is_not_known(self, cast, ana):
        publish_rows(cast, {ana: LOB})
        publish_rows(cast, {ana: LOB}, day=days(2)[1])
        fit = full_fit(club=cast.club)
        assert "Since 1 Sep 2026" in text(look(cast, ana, "?area=lob"))
        fit.shared = {}
        fit.save(update_fields=["shared"])
        answer = look(cast, ana, "?area=lob&since=2026-09-01")
        assert answer.status_code == 200
        assert "Since 1 Sep 2026" not in text(answer)

    def test_a_unit_whose_checks_and_area_are_off(self, cast, ana):
        publish(cast, cast.ana)
        Check.objects.filter(club=cast.club, area__code="lob").update(retired_on=FIRST)
        cast.club.areas.filter(code="lob").update(on=False)
        answer = look(cast, ana, "?area=lob")
        assert answer.status_code == 200
        assert answer.context["opened"].differs is None
        assert "(off this term)" in text(answer)
        student = reverse("student_page", args=["seaside", cast.ana.uuid])
        assert cast.client(cast.student).get(student).status_code == 200

    def test_everything_withdrawn_after_the_fit(self, cast, ana):
        publish(cast, cast.ana)
        Score.objects.all().delete()
        Tally.objects.all().delete()
        for query in ("", "?area=lob&since=2026-09-01"):
            assert look(cast, ana, query).status_code == 200

    def test_a_unit_that_is_not_there(self, cast):
        url = reverse("unit", args=["seaside", 10**9]) + "?area=lob&since=2026-09-01"
        assert cast.client(cast.head_coach).get(url).status_code == 404


def test_as_many_queries_for_much_as_for_little(cast, ana):
    def needed():
        with CaptureQueriesContext(connection) as caught:
            assert look(cast, ana, "?area=lob&since=2026-09-01").status_code == 200
        return len(caught)

    Goal.objects.create(
        unit=ana,
        area=cast.club.areas.get(code="lob"),
        target=50,
        due_on=cast.club.today() + timedelta(days=9),
    )
    publish(cast, cast.ana)
    few = needed()
    for number in range(10):
        person = make.make_member(cast.club, "assistant", name=f"A{number}")
        more = {unit: LOB for unit in (ana, *some_players(cast, 3))}
        publish_rows(cast, more, day=date(2026, 10, 1) + timedelta(days=number), analyst=person)
    pair = Unit.objects.pair_of(cast.ana, cast.dan)
    publish_rows(cast, {pair: {"N1": (10, 5)}}, day=date(2026, 11, 1))
    full_fit(club=cast.club)
    assert needed() == few
