"""A student's page for each role: what is on it, in whose words, how large, and in how many queries."""

import re
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from players.models import Goal, Unit
from reports.focus import propose
from reports.scoring import full_fit
from sessions.models import Film, MatchFilm, Situation
from tests import factories as make
from tests.reports.pages import SHARES, page_of, publish, see, text
from tests.reports.published import FIRST, expect, publish_rows, unit_of

pytestmark = pytest.mark.django_db


class TestWhoMayOpenIt:
    @pytest.mark.parametrize(
        ("person", "whose", "status"),
        [
            ("student", "ana", 200),
            ("student", "ben", 404),
            ("student", "dan", 404),
            ("guardian", "ben", 200),
            ("guardian", "ana", 404),
            ("all_in_one", "ana", 200),
            ("assistant", "ana", 200),
            ("head_coach", "ben", 200),
            ("two_clubs", "ana", 200),
            ("manager", "ana", 403),
            ("stranger", "ana", 404),
        ],
    )
    def test_each_role(self, cast, person, whose, status):
        answer = cast.client(getattr(cast, person)).get(page_of(getattr(cast, whose)))
        assert answer.status_code == status

    def test_a_guardian_s_view_ends_at_the_age_of_majority(self, cast):
        cast.ben.born_on = date(2000, 1, 1)
        cast.ben.save(update_fields=["born_on"])
        assert cast.client(cast.guardian).get(page_of(cast.ben)).status_code == 404

    def test_a_player_of_another_club_is_not_there(self, cast):
        url = reverse("student_page", args=["seaside", cast.other_player.uuid])
        assert cast.client(cast.head_coach).get(url).status_code == 404

    def test_it_is_read_only(self, cast):
        assert cast.client(cast.student).post(page_of(cast.ana)).status_code == 405


class TestMyPadel:
    def url(self):
        return reverse("my_padel", args=["seaside"])

    def test_one_page_opens_at_once(self, cast):
        answer = cast.client(cast.student).get(self.url())
        assert (answer.status_code, answer["Location"]) == (302, page_of(cast.ana))
        # A guardian reads first what needs them, also with one child.
        assert cast.client(cast.guardian).get(self.url()).status_code == 200

    def test_several_are_a_list_with_one_s_own_first(self, cast):
        answer = cast.client(cast.all_in_one).get(self.url())
        assert [player.given_name for player in answer.context["players"]] == ["Cleo", "Cleo junior"]
        assert page_of(cast.cleo) in answer.content.decode()
        child = answer.context["players"][1]
        assert child.family_name not in text(answer)

    def test_none_says_why(self, cast):
        from clubcoach.access import Role

        lonely = make.make_member(cast.club, Role.STUDENT, name="Lena")
        answer = cast.client(lonely).get(self.url())
        assert answer.status_code == 200
        assert "No page of yours yet" in text(answer)

    def test_coaches_have_no_such_page(self, cast):
        assert cast.client(cast.head_coach).get(self.url()).status_code == 403


class TestStudent:
    def test_before_anything_is_published(self, cast):
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert "Nothing published yet" in words
        assert "What to work on" not in words

    def test_the_whole_page_in_tenths(self, cast, drills):
        made = publish(cast, cast.ana, words="Feet first, hands later.")
        answer = cast.client(cast.student).get(page_of(cast.ana))
        words = text(answer)
        assert "Feet first, hands later." in words
        assert "Focus points are chosen by a simple rule: the widest gap to what your level expects" in words
        assert "about 3 in 10; we have seen 80, so it may be 2 to 4" in words
        for name in ("Bandeja", "Lob", "Feet and ready"):
            assert name in words
        assert "Ball goes up, hand goes up." in words
        assert "Since 1 Sep 2026: no change to see." in words
        # Counts with intervals and percents are the coaches' words.
        assert not re.search(r"\d+ of 80", words)
        assert "%" not in words.split("How sure?")[0]
        assert answer.content.count(b'class="trend-drawing"') == 3
        assert f"Last looked at: the match of {made[-1].match.played_on.day} Sep 2026" in words

    def test_not_only_what_is_wrong(self, cast):
        publish(cast, cast.ana)
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        well = words.split("What goes well")[1].split("How sure?")[0]
        assert "about 9 in 10; we have seen 80, so it may be 8 to 10" in well

    @pytest.mark.parametrize(
        ("shares", "praised"),
        [
            ({"L3": (40, 36), "F2": (40, 26)}, ["L3"]),
            ({"L3": (40, 20), "F2": (40, 26)}, ["F2"]),
            ({"L3": (7, 7), "F2": (40, 20)}, []),
        ],
    )
    def test_praise_is_for_what_is_surely_there_or_else_done_most(self, cast, shares, praised):
        expect(cast.ana.level)
        publish_rows(cast, {unit_of(cast.ana): shares})
        answer = cast.client(cast.student).get(page_of(cast.ana))
        assert [item.wording.check_identity.code for item in answer.context["praise"]] == praised

    def test_what_was_found_without_enough_to_say(self, cast):
        expect(cast.ana.level)
        publish_rows(cast, {unit_of(cast.ana): {"L2": (9, 5)}})
        full_fit(club=cast.club)
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert "Nothing stands out right now" in words
        assert re.search(r"Not enough seen yet: seen 9 times; about \d+ more and we can say", words)
        assert 'class="trend-drawing"' not in words

    def test_much_on_one_day_is_not_two_days(self, cast):
        publish_rows(cast, {unit_of(cast.ana): {"L2": (400, 200), "L3": (400, 200), "L6": (400, 200)}})
        full_fit(club=cast.club)
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert "seen 1200 times on one match day; after another one we can say" in words

    def test_a_day_without_news_is_no_second_day(self, cast):
        ana = unit_of(cast.ana)
        publish_rows(cast, {ana: {"L2": (400, 200), "L3": (400, 200), "L6": (400, 200)}})
        publish_rows(cast, {ana: {"F1": (10, 5)}}, day=FIRST + timedelta(days=7))
        full_fit(club=cast.club)
        assert "on one match day" in text(cast.client(cast.student).get(page_of(cast.ana)))

    def test_under_150_kb_before_charts_load(self, cast, drills):
        many = publish(cast, cast.ana, days=12, words="Long words. " * 40)
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        for number, analysis in enumerate(many):
            publish_rows(
                cast, {pair: {"N1": (30, 5), "N2": (30, 25)}}, day=analysis.match.played_on, seed=50 + number
            )
        full_fit(club=cast.club)
        for person in (cast.student, cast.head_coach):
            answer = cast.client(person).get(page_of(cast.ana))
            assert answer.content.count(b'class="trend-drawing"') == 4
            assert 20_000 < len(answer.content) < 150_000

    def test_pages_carry_no_inline_style_or_script(self, cast, drills):
        publish(cast, cast.ana)
        body = cast.client(cast.head_coach).get(page_of(cast.ana)).content.decode()
        assert " style=" not in body
        assert not re.search(r"\son[a-z]+=", body)
        assert not re.search(r"<script(?![^>]*(src=|application/json))", body)


class TestSituations:
    def test_faulty_and_good_ones_side_by_side_two_each_the_latest_first(self, cast):
        publish(cast, cast.ana)
        answer = cast.client(cast.student).get(page_of(cast.ana))
        (first, *_rest) = answer.context["alone"].points
        assert [p.mark.value for p in first.missed] == ["missed"] * 2
        assert [p.mark.value for p in first.met] == ["met"] * 2
        days = {p.situation.rally.match.played_on for p in (*first.missed, *first.met)}
        assert days == {FIRST + timedelta(days=7)}
        words = text(answer)
        assert "Here it was missing" in words
        assert "Here you did it" in words
        assert "rally 1, at 0:23" in words

    def test_no_time_and_no_picture_where_the_sheet_has_none(self, cast, film):
        film(publish(cast, cast.ana)[-1])
        Situation.objects.update(timed=False)
        answer = cast.client(cast.student).get(page_of(cast.ana))
        words = text(answer)
        assert "rally 1" in words
        assert "at 0:23" not in words
        assert b"/still/" not in answer.content
        assert "See the situation in rally 1" in words

    def test_words_where_there_is_no_picture(self, cast):
        publish(cast, cast.ana)
        answer = cast.client(cast.student).get(page_of(cast.ana))
        assert b"/still/" not in answer.content
        (first, *_rest) = answer.context["alone"].points
        assert b"<img" not in answer.content
        # Said once above the moments, in the words of the check.
        assert text(answer).count(first.wording.missed) == 1

    def test_a_picture_where_there_is_one(self, cast, film):
        made = publish(cast, cast.ana)
        film(made[-1])
        answer = cast.client(cast.student).get(page_of(cast.ana))
        shown = [p for point in answer.context["alone"].points for p in (*point.missed, *point.met)]
        assert len(shown) == 12
        assert all(picture.has_still for picture in shown)
        assert f"/c/seaside/situations/{shown[0].situation.pk}/still/" in answer.content.decode()

    @pytest.mark.parametrize("pictures", [True, False])
    def test_each_moment_leads_to_its_page_with_a_picture_or_without(self, cast, film, pictures):
        film(publish(cast, cast.ana)[-1], pictures=pictures)
        client = cast.client(cast.student)
        answer = client.get(page_of(cast.ana))
        point = answer.context["alone"].points[0]
        for picture in (*point.missed, *point.met):
            code = picture.mark.check_identity.code
            link = f'<a href="/c/seaside/situations/{picture.situation.pk}/?check={code}">'
            after = answer.content.decode().partition(link)[2]
            assert after
            assert after.startswith("<img ") is pictures
        assert client.get(f"/c/seaside/situations/{point.missed[0].situation.pk}/").status_code == 200

    def test_no_picture_before_it_is_made(self, cast, film):
        film(publish(cast, cast.ana)[-1], pictures=False)
        assert b"/still/" not in cast.client(cast.student).get(page_of(cast.ana)).content

    def test_no_picture_once_a_consent_is_withdrawn(self, cast, film):
        made = publish(cast, cast.ana)
        film(made[-1])
        cast.ana.film_consents.update(withdrawn_at=timezone.now())
        assert b"/still/" not in cast.client(cast.student).get(page_of(cast.ana)).content

    def test_no_picture_with_a_visitor_whose_consent_the_club_does_not_have(self, cast, film):
        made = publish(cast, cast.ana)
        film(made[-1])
        made[-1].match.seats.filter(player=None).update(visitor_consent=False)
        assert b"/still/" not in cast.client(cast.student).get(page_of(cast.ana)).content

    def test_no_picture_from_a_film_that_shows_another_match_in_which_somebody_did_not_agree(
        self, cast, film
    ):
        shared = film(publish(cast, cast.ana)[-1])
        other = make.make_match(cast.club, [cast.dan, cast.ben, None, None])
        MatchFilm.objects.create(match=other, film=shared, offset_s=-600)
        assert b"/still/" not in cast.client(cast.student).get(page_of(cast.ana)).content

    def test_hand_picked_ones_first_unpublished_and_uncounted_ones_never(self, cast):
        made = publish(cast, cast.ana)
        unit = unit_of(cast.ana)
        picked = see(made[0], unit, "B1", "missed", number=9, shown_only=True)
        see(made[0], unit, "B1", "missed", number=8, not_codable="dark", hit_s=1)
        working = make.make_analysis(
            made[-1].match, analyst=cast.assistant, units=[unit], state="in_progress", version=2
        )
        hidden = see(working, unit, "B1", "missed", number=7, hit_s=2)
        answer = cast.client(cast.head_coach).get(page_of(cast.ana))
        point = next(p for p in answer.context["alone"].points if p.point.check_identity.code == "B1")
        found = [picture.situation.pk for picture in point.missed]
        assert found[0] == picked.pk
        assert hidden.pk not in found
        assert len(found) == 2

    def test_somebody_else_s_situations_are_not_on_it(self, cast):
        publish(cast, cast.ana)
        other = publish_rows(cast, {unit_of(cast.dan): SHARES}, day=date(2026, 10, 1))
        theirs = see(other, unit_of(cast.dan), "B1", "missed")
        answer = cast.client(cast.student).get(page_of(cast.ana))
        shown = [p for point in answer.context["alone"].points for p in (*point.missed, *point.met)]
        assert theirs.pk not in {picture.situation.pk for picture in shown}


class TestMinor:
    @pytest.fixture
    def words(self, cast, drills):
        publish(cast, cast.ben)
        unit = unit_of(cast.ben)
        Goal.objects.create(unit=unit, area=cast.club.areas.first(), target=70, due_on=date(2027, 1, 1))
        return text(cast.client(cast.guardian).get(page_of(cast.ben)))

    def test_praise_comes_first_and_there_is_one_thing(self, cast, words):
        assert words.index("What goes well") < words.index("One thing to work on")
        assert "What to work on" not in words
        answer = cast.client(cast.guardian).get(page_of(cast.ben))
        assert len(answer.context["alone"].points) == 1
        assert answer.content.count(b'class="trend-drawing"') == 1

    def test_no_ranks_chances_goals_or_standards(self, cast, words):
        for word in ("chance that it is better", "standard", "Goals", "rank"):
            assert word not in words
        body = cast.client(cast.guardian).get(page_of(cast.ben)).content.decode()
        assert "standard-word" not in body
        assert '"standard"' not in body

    def test_no_full_name(self, cast, words):
        assert cast.ben.family_name not in words
        assert "Ben" in words

    def test_the_partner_of_a_minor_reads_no_full_name_either(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.ben)
        expect(cast.ana.level)
        publish_rows(cast, {pair: {"N1": (20, 1)}, unit_of(cast.ana): {"L2": (20, 18)}})
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert "as a pair with Ben" in words
        assert cast.ben.family_name not in words

    def test_the_one_thing_may_be_a_pair_s(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.ben)
        expect(cast.ana.level)
        analysis = publish_rows(cast, {pair: {"N1": (20, 1)}, unit_of(cast.ben): {"L2": (20, 18)}})
        propose(analysis=analysis)
        answer = cast.client(cast.guardian).get(page_of(cast.ben))
        assert [len(group.points) for group in answer.context["pairs"]] == [1]
        assert "It is one for the two of you" in text(answer)


class TestPairs:
    def test_a_section_for_each_with_points_and_trend(self, cast):
        publish(cast, cast.ana)
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        for number in range(2):
            analysis = publish_rows(
                cast,
                {pair: {"N1": (40, 4), "N2": (40, 30)}},
                day=FIRST + timedelta(days=7 * number),
                seed=9,
                words="You two." if number else "",
            )
        full_fit(club=cast.club)
        propose(analysis=analysis)
        for person, player, partner in (
            (cast.student, cast.ana, cast.dan),
            (cast.head_coach, cast.dan, cast.ana),
        ):
            words = text(cast.client(person).get(page_of(player)))
            section = words.split(f"As a pair with {partner.name}")[1]
            assert "Up together, back together." in section
            assert "Net as a pair" in section
            assert "You two." in words

    def test_a_pair_that_was_never_looked_at_is_no_section(self, cast):
        Unit.objects.pair_of(cast.ana, cast.dan)
        publish(cast, cast.ana)
        assert "As a pair" not in text(cast.client(cast.student).get(page_of(cast.ana)))


def queries(client, url):
    with CaptureQueriesContext(
        connection,
    ) as caught:
        assert client.get(url).status_code == 200
    return len(caught)


def test_queries_do_not_grow_with_matches(cast, drills, film):
    made = publish(cast, cast.ana, days=2)
    film(made[-1])
    client = cast.client(cast.student)
    few = queries(client, page_of(cast.ana))
    unit = unit_of(cast.ana)
    for number in range(10):
        analysis = publish_rows(cast, {unit: SHARES}, day=date(2026, 10, 1) + timedelta(days=number), seed=7)
        see(analysis, unit, "B1", "missed")
        MatchFilm.objects.create(match=analysis.match, film=Film.objects.get())
    full_fit(club=cast.club)
    assert queries(client, page_of(cast.ana)) == few
    assert few <= 40
