"""Levels: unique places at every moment, standards in range, and none removed while somebody has it."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.access import Role
from clubcoach.models import AuditEvent
from players import services
from players.models import Level, LevelStandard, Player, Squad
from tests import factories as make

pytestmark = pytest.mark.django_db


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def text(answer):
    return answer.content.decode()


@pytest.fixture
def three(cast):
    """First, second, third; the cast's players have the first."""
    first = cast.ana.level
    first.name = "First"
    first.save(update_fields=["name"])
    return first, make.make_level(cast.club, 2, "Second"), make.make_level(cast.club, 3, "Third")


def order(cast):
    return list(Level.objects.filter(club=cast.club).order_by("position").values_list("name", flat=True))


class TestServices:
    def test_a_new_level_stands_last_with_its_words(self, cast, three):
        level = services.add_level(
            by=cast.head_coach, club=cast.club, name="  Fourth  one ", description="Does."
        )
        assert order(cast) == ["First", "Second", "Third", "Fourth one"]
        assert level.description == "Does."
        assert AuditEvent.objects.get(action="level.added").target_id == str(level.pk)

    @pytest.mark.parametrize("name", ["", "   ", "second", "x" * 61])
    def test_a_name_that_cannot_be(self, cast, three, name):
        with pytest.raises(ValidationError) as refused:
            services.add_level(by=cast.head_coach, club=cast.club, name=name)
        assert list(refused.value.message_dict) == ["name"]
        with pytest.raises(ValidationError):
            services.edit_level(by=cast.head_coach, level=three[0], name=name, description="other")
        three[0].refresh_from_db()
        assert (three[0].name, three[0].description) == ("First", "")
        assert order(cast) == ["First", "Second", "Third"]

    def test_another_club_may_have_the_same_name(self, cast, three):
        services.add_level(by=cast.stranger, club=cast.other_club, name="First")

    def test_standards_are_set_changed_and_taken_away_and_the_unnamed_stay(self, cast, three):
        feet, lob, net = (cast.club.areas.get(code=code) for code in ("feet", "lob", "net"))
        head, level = cast.head_coach, three[1]
        words = {"name": "Second", "description": ""}
        services.edit_level(by=head, level=level, standards={feet: 0, lob: 55, net: 100}, **words)
        services.edit_level(by=head, level=level, standards={feet: 40, lob: None}, **words)
        assert dict(level.standards.values_list("area__code", "score")) == {"feet": 40, "net": 100}
        before = AuditEvent.objects.count()
        services.edit_level(by=head, level=level, standards={feet: 40, lob: None}, **words)
        assert AuditEvent.objects.count() == before, "the same again is no change"

    @pytest.mark.parametrize("score", [-1, 101, True, "50", 50.5])
    def test_a_standard_out_of_range_leaves_words_and_figures_alone(self, cast, three, score):
        feet, lob = cast.club.areas.get(code="feet"), cast.club.areas.get(code="lob")
        with pytest.raises(ValidationError, match="between 0 and 100") as refused:
            services.edit_level(
                by=cast.head_coach,
                level=three[1],
                name="New",
                description="",
                standards={feet: 50, lob: score},
            )
        assert list(refused.value.message_dict) == ["standard-lob"]
        assert order(cast) == ["First", "Second", "Third"]
        assert not LevelStandard.objects.exists()

    def test_an_area_of_another_club(self, cast, three):
        foreign = cast.other_club.areas.get(code="feet")
        with pytest.raises(ValidationError, match="no area of the club"):
            services.edit_level(
                by=cast.head_coach, level=three[1], name="New", description="", standards={foreign: 50}
            )
        assert not LevelStandard.objects.exists()

    def test_moving_changes_places_with_the_neighbour_also_over_a_gap(self, cast, three):
        Level.objects.filter(pk=three[2].pk).update(position=9)
        move = services.move_level
        assert move(by=cast.head_coach, level=three[2], up=True)
        assert order(cast) == ["First", "Third", "Second"]
        assert move(by=cast.head_coach, level=three[0], up=False)
        assert order(cast) == ["Third", "First", "Second"]
        assert sorted(Level.objects.filter(club=cast.club).values_list("position", flat=True)) == [1, 2, 9]
        assert not move(by=cast.head_coach, level=three[2], up=True)
        assert not move(by=cast.head_coach, level=three[1], up=False)
        assert AuditEvent.objects.filter(action="level.moved").count() == 2

    def test_a_used_level_stays_until_it_is_said_where_its_people_go(self, cast, three):
        squad = Squad.objects.create(club=cast.club, name="Monday", level=three[0])
        gone = make.make_player(cast.club, "Gone", level=three[0], active=False)
        n = Player.objects.filter(level=three[0]).count()
        with pytest.raises(ValidationError) as refused:
            services.remove_level(by=cast.head_coach, level=three[0])
        assert refused.value.message_dict == {
            "move_to": [f"“First” is the level of {n} players and 1 squad. Say which level they get instead."]
        }
        assert order(cast) == ["First", "Second", "Third"]
        assert services.remove_level(by=cast.head_coach, level=three[0], move_to=three[1]) == (n, 1)
        assert order(cast) == ["Second", "Third"]
        squad.refresh_from_db()
        gone.refresh_from_db()
        assert squad.level == gone.level == three[1]
        assert Player.objects.filter(level=three[1]).count() == n
        assert {"level.players_moved", "level.removed"} <= set(
            AuditEvent.objects.values_list("action", flat=True)
        )

    def test_moving_nowhere_to_itself_or_to_another_club_moves_nobody(self, cast, three):
        foreign = make.make_level(cast.other_club)
        for target in (None, three[0], foreign):
            with pytest.raises(ValidationError) as refused:
                services.remove_level(by=cast.head_coach, level=three[0], move_to=target)
            assert list(refused.value.message_dict) == ["move_to"]
        cast.ana.refresh_from_db()
        assert cast.ana.level == three[0]

    def test_nobody_moves_when_the_level_cannot_go(self, cast, three, monkeypatch):
        def broken(self, *args, **kwargs):
            raise RuntimeError("the machine stopped here")

        monkeypatch.setattr(Level, "delete", broken)
        with pytest.raises(RuntimeError):
            services.remove_level(by=cast.head_coach, level=three[0], move_to=three[1])
        assert not Player.objects.filter(level=three[1]).exists()

    def test_the_last_level_goes_when_nobody_has_it(self, cast):
        level = make.make_level(cast.other_club)
        assert services.remove_level(by=cast.stranger, level=level) == (0, 0)
        assert not Level.objects.filter(club=cast.other_club).exists()
        with pytest.raises(ValidationError, match="a moment ago"):
            services.move_level(by=cast.stranger, level=level, up=True)

    @pytest.mark.parametrize("who", ["manager", "assistant", "student", "guardian", "stranger"])
    def test_only_the_head_coach_changes_them(self, cast, three, who):
        by = getattr(cast, who)
        for act in (
            lambda: services.add_level(by=by, club=cast.club, name="Mine"),
            lambda: services.edit_level(by=by, level=three[1], name="Mine", description=""),
            lambda: services.move_level(by=by, level=three[1], up=True),
            lambda: services.remove_level(by=by, level=three[1]),
        ):
            with pytest.raises(PermissionDenied):
                act()
        assert order(cast) == ["First", "Second", "Third"]


class TestPages:
    @pytest.mark.parametrize("who", ["manager", "assistant"])
    def test_others_of_the_house_read(self, cast, three, who):
        client = cast.client(getattr(cast, who))
        page = text(client.get(url("levels")))
        assert "First" in page
        assert "Add a level" not in page
        assert "remove" not in page
        inside = text(client.get(url("level", three[0].pk)))
        assert "<input" not in inside.split("<main")[1].split("</main>")[0]
        assert client.post(url("level", three[0].pk), {"name": "Mine"}).status_code == 403
        assert client.post(url("level_move", three[0].pk), {"way": "down"}).status_code == 403
        assert client.get(url("level_remove", three[0].pk)).status_code == 403

    @pytest.mark.parametrize(("who", "status"), [("student", 403), ("guardian", 403), ("stranger", 404)])
    def test_who_does_not_see_them(self, cast, three, who, status):
        client = cast.client(getattr(cast, who))
        for name, args in (("levels", []), ("level", [three[0].pk])):
            assert client.get(url(name, *args)).status_code == status

    def test_the_list_says_order_counts_and_standards(self, cast, three):
        area = cast.club.areas.get(code="lob")
        LevelStandard.objects.create(level=three[1], area=area, score=54)
        Squad.objects.create(club=cast.club, name="Monday", level=three[0])
        answer = cast.client(cast.head_coach).get(url("levels"))
        page = text(answer)
        assert page.index(">First<") < page.index(">Second<") < page.index(">Third<")
        assert 'data-label="Lob">54<' in page
        (first, *_rest) = answer.context["levels"]
        assert (first.n_players, first.n_squads) == (Player.objects.filter(level=first).count(), 1)
        assert "widest gap" in page

    def test_words_and_standards_from_the_form(self, cast, three):
        client = cast.client(cast.head_coach)
        answer = client.post(
            url("level", three[1].pk),
            {"name": "Steady", "description": "Keeps it going.", "standard-lob": "54", "standard-feet": ""},
        )
        assert (answer.status_code, answer["Location"]) == (302, url("levels"))
        three[1].refresh_from_db()
        assert (three[1].name, three[1].description) == ("Steady", "Keeps it going.")
        assert dict(three[1].standards.values_list("area__code", "score")) == {"lob": 54}

    def test_a_wrong_standard_keeps_what_was_typed(self, cast, three):
        answer = cast.client(cast.head_coach).post(
            url("level", three[1].pk), {"name": "Steady", "description": "Kept", "standard-lob": "540"}
        )
        page = text(answer)
        assert answer.status_code == 422
        assert "between 0 and 100" in page
        assert 'value="540"' in page
        assert "Kept" in page
        three[1].refresh_from_db()
        assert three[1].name == "Second"

    def test_a_new_level_leads_to_its_standards(self, cast, three):
        client = cast.client(cast.head_coach)
        answer = client.post(url("level_new"), {"name": "Fourth", "description": ""})
        assert answer["Location"] == url("level", Level.objects.get(name="Fourth").pk)
        taken = client.post(url("level_new"), {"name": "fourth", "description": "again"})
        assert taken.status_code == 422
        assert "has a level of this name" in text(taken)

    def test_moving_by_button(self, cast, three):
        client = cast.client(cast.head_coach)
        client.post(url("level_move", three[2].pk), {"way": "up"})
        assert order(cast) == ["First", "Third", "Second"]
        page = text(client.post(url("level_move", three[0].pk), {"way": "up"}, follow=True))
        assert "at the end already" in page

    def test_removing_asks_where_to_and_does_it(self, cast, three):
        client = cast.client(cast.head_coach)
        page = text(client.get(url("level_remove", three[0].pk)))
        n = Player.objects.filter(level=three[0]).count()
        assert f"{n} players" in page
        assert "Move them to" in page
        answer = client.post(url("level_remove", three[0].pk), {"move_to": ""})
        assert answer.status_code == 422
        assert text(answer).count("Say which level they get instead") == 1
        foreign = make.make_level(cast.other_club)
        wrong = client.post(url("level_remove", three[0].pk), {"move_to": foreign.pk})
        assert wrong.status_code == 422
        done = client.post(url("level_remove", three[0].pk), {"move_to": three[2].pk}, follow=True)
        assert f"{n} players and the squads that had it are at “Third” now." in text(done)
        assert order(cast) == ["Second", "Third"]

    def test_an_unused_one_goes_at_once_and_a_lone_used_one_says_what_to_do(self, cast, three):
        client = cast.client(cast.head_coach)
        for level in three[1:]:
            assert "Move them to" not in text(client.get(url("level_remove", level.pk)))
            client.post(url("level_remove", level.pk))
        assert order(cast) == ["First"]
        assert "There is no other level yet" in text(client.get(url("level_remove", three[0].pk)))

    def test_a_club_without_levels_is_told_what_comes_here(self, cast):
        head = cast.client(cast.stranger)
        page = text(head.get(url("levels", slug="hilltop")))
        assert "No levels yet" in page
        assert "Add the first level" in page
        make.make_member(cast.other_club, Role.MANAGER, user=cast.manager)
        assert "The head coach adds them" in text(
            cast.client(cast.manager).get(url("levels", slug="hilltop"))
        )

    def test_as_many_queries_for_three_levels_as_for_thirty(self, cast, three):
        client = cast.client(cast.head_coach)
        areas = list(cast.club.areas.all())
        client.get(url("levels"))

        def count():
            with CaptureQueriesContext(
                connection,
            ) as seen:
                assert client.get(url("levels")).status_code == 200
            return len(seen)

        few = count()
        for n in range(4, 31):
            level = make.make_level(cast.club, n)
            LevelStandard.objects.bulk_create(
                LevelStandard(level=level, area=area, score=n) for area in areas
            )
            make.make_player(cast.club, level=level)
        assert count() == few
