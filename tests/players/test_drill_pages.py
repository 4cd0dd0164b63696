"""The library as each role sees and uses it: searched, read, written, and through JSON."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.models import AuditEvent
from players.models import Area, Check, Drill
from players.services.drills import bring_in_standard
from tests.reports.pages import text

pytestmark = pytest.mark.django_db
ROLES = ("manager", "head_coach", "assistant", "student", "guardian")


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def add(club, code, *, checks=("F1",), **fields):
    usual = {
        "name": code.replace("-", " ").title(),
        "stage": "fed",
        "place": "court",
        "players_min": 2,
        "players_max": 4,
        "minutes": 10,
        "dose": "3 sets of 10",
        "passing": "7 of 10 twice",
        "steps": ["One feeds.", "The other hits."],
        "cautions": ["Clear loose balls."],
    }
    drill = Drill.objects.create(club=club, code=code, **usual | fields)
    drill.checks.set(Check.objects.filter(club=club, code__in=checks))
    drill.areas.set({check.area_id for check in drill.checks.all()})
    return drill


def typed(**changed):
    """What a coach sends who fills the form."""
    usual = {
        "name": "Two cones",
        "checks": ["F1", "L2"],
        "stage": "fed",
        "place": "court",
        "players_min": "2",
        "players_max": "3",
        "minutes": "12",
        "kit": "rackets\nballs",
        "dose": "3 sets of 10 balls.",
        "passing": "7 of 10 twice running.",
        "overheads": "0",
        "loads": ["knee"],
        "cautions": "Clear loose balls.\n\n",
        "steps": "One feeds.\n  The other   lands.\n",
        "plan_of": "",
        "court": "view half\nP1 at 2, -8\nrun from 2, -8 to 2, -4",
        "source": "",
    }
    return usual | changed


def listed(answer):
    return [drill.code for group in answer.context["groups"] for part in group.parts for drill in part.drills]


@pytest.fixture
def standard(cast):
    bring_in_standard(by=cast.head_coach, club=cast.club)
    return Drill.objects.filter(club=cast.club)


class TestList:
    def test_by_area_then_stage_and_promises_of_all_areas_at_the_end(self, cast):
        add(cast.club, "lob-play", checks=["L2"], stage="in_play")
        add(cast.club, "lob-promise", checks=["L2"], stage="in_play", place="in_your_match")
        add(cast.club, "feet-varied", stage="varied")
        add(cast.club, "feet-shadow", stage="shadow")
        add(cast.club, "feet-promise", stage="in_play", place="in_your_match")
        both = add(cast.club, "both-fed", checks=["F1", "L2"], stage="fed")
        client = cast.client(cast.student)
        answer = client.get(url("drills"))
        assert [
            (group.title, [(part.label, [row.code for row in part.drills]) for part in group.parts])
            for group in answer.context["groups"]
        ] == [
            (
                "Feet and ready",
                [
                    ("without a ball", ["feet-shadow"]),
                    ("fed balls", [both.code]),
                    ("varied balls", ["feet-varied"]),
                ],
            ),
            ("Lob", [("in play", ["lob-play"])]),
            ("Promises for a match", [("Feet and ready", ["feet-promise"]), ("Lob", ["lob-promise"])]),
        ]
        assert "6 drills" in text(answer)
        # Asked for an area, a drill of two stands under that one.
        asked = client.get(url("drills"), {"area": "lob"})
        assert [group.title for group in asked.context["groups"]] == ["Lob", "Promises for a match"]
        assert listed(asked) == [both.code, "lob-play", "lob-promise"]
        assert "3 drills fit" in text(asked)

    @pytest.mark.parametrize(
        ("query", "found"),
        [
            ({"area": "lob"}, {"pena"}),
            ({"check": "F1"}, {"alone", "wall"}),
            ({"stage": "shadow"}, {"alone"}),
            ({"players": "1"}, {"alone", "wall"}),
            ({"players": "4"}, {"pena"}),
            ({"place": "wall"}, {"wall"}),
            ({"place": "wall", "players": "2"}, {"wall"}),
            ({"word": "PENA cañón"}, {"pena"}),
            ({"word": "canon"}, {"pena"}),
            ({"word": "ÉCHELLE"}, {"wall"}),
            ({"word": "elf mal"}, {"alone"}),
            ({"word": "straße"}, {"pena"}),
            ({"word": "STRASSE"}, {"pena"}),
            ({"word": "%"}, set()),
            ({"word": "nothing of the kind"}, set()),
            ({"retired": "on"}, {"alone", "wall", "pena", "gone"}),
            ({"players": "7", "place": "wall"}, {"wall"}),
            ({"area": "no-such-area", "place": "wall"}, {"wall"}),
        ],
    )
    def test_filters(self, cast, query, found):
        add(cast.club, "alone", stage="shadow", place="home", players_min=1, players_max=1, dose="elf Mal")
        add(cast.club, "wall", place="wall", players_min=1, players_max=2, name="Échelle")
        add(cast.club, "pena", checks=["L2"], name="Peña", steps=["CAÑÓN über die Straße", "y otra vez"])
        add(cast.club, "gone", retired_on="2026-01-01")
        add(cast.other_club, "theirs")
        assert set(listed(cast.client(cast.assistant).get(url("drills"), query))) == found

    def test_what_is_out_of_use_is_listed_for_coaches_who_ask(self, cast):
        add(cast.club, "gone", retired_on="2026-01-01")
        add(cast.club, "here")
        for role in ROLES:
            found = listed(cast.client(getattr(cast, role)).get(url("drills"), {"retired": "on"}))
            assert found == (["gone", "here"] if role in ("head_coach", "assistant") else ["here"]), role

    def test_no_drill_at_all(self, cast):
        Area.objects.filter(club=cast.club, code="lob").update(on=False)
        for role in ROLES:
            answer = cast.client(getattr(cast, role)).get(url("drills"))
            assert "No drills yet" in text(answer)
            assert (url("drills_standard") in answer.content.decode()) == (role == "head_coach"), role
            assert 'role="search"' not in answer.content.decode()

    def test_nothing_that_fits_says_how_to_widen(self, cast):
        add(cast.club, "here")
        answer = cast.client(cast.student).get(
            url("drills"), {"word": "sky", "place": "wall", "page": "3", "stage": ""}
        )
        assert "Nothing fits all of that" in text(answer)
        assert "No drill fits" in text(answer)
        links = dict(answer.context["widen"])
        assert set(links) == {"Word", "Place"}
        assert links["Word"] == f"{url('drills')}?place=wall&stage="
        assert listed(cast.client(cast.student).get(links["Word"])) == []
        assert listed(cast.client(cast.student).get(url("drills"), {"place": "court"})) == ["here"]

    def test_pages_and_the_same_queries_at_3_and_at_500_drills(self, cast):
        client = cast.client(cast.head_coach)

        def queries(**query):
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url("drills"), query)
            return len(found), len(listed(answer)), answer.context["page"].paginator.count

        def fill(first, last):
            for n in range(first, last):
                add(cast.club, f"drill-{n}", checks=["F1", "L2", "B1"][: n % 3 + 1])

        fill(0, 3)
        queries()
        few, word = queries(), queries(word="drill")
        fill(3, 500)
        many, many_word = queries(), queries(word="drill")
        assert (few[0], word[0]) == (many[0], many_word[0])
        assert few[1:] == (3, 3)
        assert many[1:] == many_word[1:] == (60, 500)
        assert queries(page="9")[1] == 20

    def test_the_standard_library_in_one_look(self, cast, standard):
        answer = cast.client(cast.student).get(url("drills"))
        assert f"{standard.count()} drills" in text(answer)
        assert answer.context["groups"][-1].promises or answer.context["page"].has_next()


class TestStandardDrills:
    def test_says_how_many_and_the_second_time_that_all_are_there(self, cast):
        client = cast.client(cast.head_coach)
        first = client.post(url("drills_standard"), follow=True)
        n = Drill.objects.filter(club=cast.club).count()
        assert n > 20
        assert f"{n} drills are new here." in text(first)
        assert "are left out: the club's check list does not have what they train." in text(first)
        second = client.post(url("drills_standard"), follow=True)
        assert "All standard drills are here already" in text(second)

    def test_a_club_without_a_check_list(self, cast):
        cast.other_club.drills.all().delete()
        for check in Check.objects.filter(club=cast.other_club):
            check.code = f"Q{check.pk}"
            check.save(update_fields=["code"])
        answer = cast.client(cast.stranger).post(url("drills_standard", slug="hilltop"), follow=True)
        assert "none of the checks that the standard drills train" in text(answer)


class TestPage:
    def test_everything_about_a_drill(self, cast):
        add(cast.club, "easier", stage="shadow", place="home")
        add(cast.club, "much-harder", stage="in_play")
        add(cast.club, "other", checks=["L2"], stage="shadow")
        add(cast.club, "promise", stage="in_play", place="in_your_match")
        add(cast.club, "gone-by", stage="shadow", retired_on="2026-01-01")
        add(
            cast.club,
            "this",
            kit=["rackets", "2 cones"],
            overheads=15,
            loads=["shoulder", "lower_leg"],
            source="common practice",
            court={"view": "half", "players": [{"id": "P1", "at": [2, -8]}]},
        )
        answer = cast.client(cast.student).get(url("drill", "this"))
        words = text(answer)
        for part in (
            "Fed balls, on court",
            "Feet and ready",
            "Small hop: land as they hit.",
            "2 to 4",
            "rackets, 2 cones",
            "3 sets of 10",
            "Passed when: 7 of 10 twice",
            "15 for one player; at most 7 for juniors and after pain. With a sore shoulder or elbow it is no homework",
            "shoulder, lower leg",
            "Clear loose balls.",
            "common practice",
            "Not yet? Go back to Easier",
            "Passed? Go on to Much Harder",
        ):
            assert part in words, part
        for part in ("Promise", "Gone By", "Other", "player has it", "Copy", "Change", "Take out of use"):
            assert part not in words, part
        page = answer.content.decode()
        assert "<svg" in page
        assert "<li>One feeds.</li><li>The other hits.</li>" in page

    def test_what_each_may_do_from_it(self, cast):
        add(cast.club, "theirs")
        add(cast.club, "mine", written_by=cast.assistant, own=True)

        def offered(role, code):
            page = cast.client(getattr(cast, role)).get(url("drill", code)).content.decode()
            names = ("drill_edit", "drill_copy", "drill_retire")
            return {name.removeprefix("drill_") for name in names if f'"{url(name, code)}"' in page}

        assert offered("head_coach", "theirs") == {"edit", "copy", "retire"}
        assert offered("assistant", "theirs") == {"copy"}
        assert offered("assistant", "mine") == {"edit", "copy"}
        for role in ("manager", "student", "guardian"):
            assert offered(role, "theirs") == set(), role

    def test_what_is_out_of_use_is_for_coaches(self, cast):
        add(cast.club, "gone", retired_on="2026-01-01")
        assert cast.client(cast.student).get(url("drill", "gone")).status_code == 404
        answer = cast.client(cast.assistant).get(url("drill", "gone"))
        assert "Out of use since 1 Jan 2026" in text(answer)

    def test_a_check_that_the_list_has_no_more_is_named_by_its_code(self, cast):
        drill = add(cast.club, "old")
        cast.check_list.wordings.filter(check_identity__code="F1").delete()
        assert "F1 (no longer on the check list)" in text(
            cast.client(cast.student).get(url("drill", drill.code))
        )
        form = cast.client(cast.head_coach).get(url("drill_edit", "old")).context["form"]
        assert ("No longer on the list", [("F1", "F1")]) in form.fields["checks"].choices
        answer = cast.client(cast.head_coach).post(url("drill_edit", "old"), typed(checks=["F1"]))
        assert answer.status_code == 302

    def test_flat_queries_whatever_stands_next_to_it(self, cast):
        add(cast.club, "this", checks=["F1", "F2", "L2"])
        client = cast.client(cast.student)

        def queries():
            with CaptureQueriesContext(connection) as found:
                client.get(url("drill", "this"))
            return len(found)

        for n in range(2):
            add(cast.club, f"near-{n}", stage="shadow")
        queries()
        few = queries()
        for n in range(2, 60):
            add(cast.club, f"near-{n}", stage="shadow", checks=["F1", "F2"])
        assert queries() == few
        near = client.get(url("drill", "this")).context["near"].easier
        assert len(near) == 3
        # Most in common first.
        assert near[0].code == "near-10"


class TestWrite:
    def test_a_coach_writes_a_drill_and_sees_its_plan(self, cast):
        client = cast.client(cast.assistant)
        assert client.get(url("drill_new")).status_code == 200
        answer = client.post(url("drill_new"), typed(), follow=True)
        assert answer.redirect_chain == [(url("drill", "two-cones"), 302)]
        drill = Drill.objects.get()
        assert drill.steps == ["One feeds.", "The other lands."]
        assert drill.cautions == ["Clear loose balls."]
        assert drill.court == {
            "view": "half",
            "players": [{"id": "P1", "at": [2, -8]}],
            "paths": [{"kind": "run", "points": [[2, -8], [2, -4]]}],
        }
        assert {area.code for area in drill.areas.all()} == {"feet", "lob"}
        assert (drill.written_by, drill.own) == (cast.assistant, True)
        assert "<svg" in answer.content.decode()
        again = client.get(url("drill_edit", "two-cones"))
        assert again.context["form"]["court"].value().splitlines() == typed()["court"].splitlines()
        assert "The other lands." in again.content.decode()

    @pytest.mark.parametrize(
        ("changed", "field", "words"),
        [
            ({"name": ""}, "name", "This field is required."),
            ({"checks": []}, "checks", "This field is required."),
            ({"checks": ["Z9"]}, "checks", "Select a valid choice"),
            ({"stage": "blocked"}, "stage", "Select a valid choice"),
            ({"minutes": "20"}, "minutes", "20 is not a whole number in range. Use 1 to 15."),
            ({"minutes": "ten"}, "minutes", "Enter a whole number."),
            ({"players_min": "4"}, "players_max", "It is not a range. Give min and max, from 1 to 4."),
            ({"players_max": "9"}, "players_max", "less than or equal to 4"),
            ({"steps": "One."}, "steps", "Too few, too many or no texts. Write 2 to 5 of them."),
            ({"steps": " \n "}, "steps", "This field is required."),
            ({"cautions": ""}, "cautions", "This field is required."),
            ({"kit": "\n".join("abcdefghi")}, "kit", "Too few, too many or no texts. Write 0 to 8 of them."),
            ({"place": "home", "minutes": "5"}, "kit", "Balls are used at home."),
            ({"overheads": "20"}, "loads", "It has overheads but spares the arm. Add shoulder and elbow."),
            ({"overheads": "41"}, "overheads", "less than or equal to 40"),
            ({"place": "in_your_match", "minutes": "5"}, "stage", "A match promise is played in a match."),
            (
                {"court": "view half\nP1 at 2\n"},
                "court",
                "Line 2: it cannot be read; write for instance: P1 at",
            ),
            ({"court": "P1 at 2, -8"}, "court", "The plan: None is not known; choose from half"),
            (
                {"court": "view half\nP1 at 2, -8\ncone at 9, -8"},
                "court",
                "Line 3: it lies outside what the view shows; stay within -5 to 5 across",
            ),
            ({"plan_of": "no-such"}, "plan_of", "Select a valid choice"),
            ({"loads": ["soul"]}, "loads", "Select a valid choice"),
            ({"dose": "x" * 201}, "dose", "at most 200 characters"),
        ],
    )
    def test_what_is_wrong_is_said_at_its_field_and_what_was_typed_stays(self, cast, changed, field, words):
        answer = cast.client(cast.head_coach).post(url("drill_new"), typed(**changed))
        assert answer.status_code == 422
        assert words in " ".join(answer.context["form"].errors[field])
        assert "Nothing was saved." in text(answer)
        if "name" not in changed:
            assert 'value="Two cones"' in answer.content.decode()
        assert not Drill.objects.exists()

    def test_nothing_at_all(self, cast):
        answer = cast.client(cast.head_coach).post(url("drill_new"), {})
        assert answer.status_code == 422
        assert {"name", "checks", "steps", "cautions"} <= set(answer.context["form"].errors)

    def test_a_plan_taken_over_from_another_drill(self, cast):
        court = {"view": "whole", "players": [{"id": "P2", "at": [0, 9]}]}
        add(cast.club, "drawn", court=court)
        add(cast.club, "bare")
        add(cast.other_club, "theirs", court=court)
        client = cast.client(cast.head_coach)
        form = client.get(url("drill_new")).context["form"]
        assert [row.code for row in form.fields["plan_of"].queryset] == ["drawn"]
        # Lines that are not used may be wrong.
        answer = client.post(url("drill_new"), typed(plan_of="drawn", court="moon"))
        assert answer.status_code == 302
        assert Drill.objects.get(code="two-cones").court == court
        assert client.post(url("drill_new"), typed(plan_of="theirs")).status_code == 422

    def test_who_may_change_it(self, cast):
        add(cast.club, "theirs")
        add(cast.club, "mine", written_by=cast.assistant)
        sent = typed(name="Changed")

        def ask(person, code):
            client = cast.client(person)
            seen = client.get(url("drill_edit", code)).status_code
            return seen, client.post(url("drill_edit", code), sent).status_code

        for person in (cast.manager, cast.student, cast.guardian, cast.all_in_one):
            assert ask(person, "mine") == (403, 403)
        assert ask(cast.assistant, "theirs") == (403, 403)
        assert "Copy it, and change the copy." in text(
            cast.client(cast.assistant).get(url("drill_edit", "theirs"))
        )
        assert not Drill.objects.filter(name="Changed").exists()
        assert ask(cast.assistant, "mine") == (200, 302)
        assert ask(cast.head_coach, "theirs") == (200, 302)
        assert Drill.objects.filter(name="Changed", own=True).count() == 2

    def test_a_copy_opens_for_change_and_is_its_copier_s(self, cast):
        add(cast.club, "theirs", name="Theirs")
        answer = cast.client(cast.assistant).post(url("drill_copy", "theirs"), follow=True)
        assert answer.redirect_chain == [(url("drill_edit", "theirs-2"), 302)]
        copy = Drill.objects.get(code="theirs-2")
        assert (copy.name, copy.copied_from, copy.written_by) == ("Theirs (copy)", "theirs", cast.assistant)
        for person in (cast.student, cast.manager):
            assert cast.client(person).post(url("drill_copy", "theirs")).status_code == 403
        assert Drill.objects.count() == 2
        assert AuditEvent.objects.filter(action="drill.copied").count() == 1

    def test_texts_of_a_drill_are_escaped(self, cast):
        add(cast.club, "bad", name="<script>x</script>", steps=["<b>1</b>", "2"], source="<i>s</i>")
        for name, args in (("drills", []), ("drill", ["bad"]), ("drill_edit", ["bad"])):
            page = cast.client(cast.head_coach).get(url(name, *args)).content.decode()
            assert "<script>x" not in page
            assert "<b>1</b>" not in page
            assert "<i>s</i>" not in page


class TestJson:
    def codes(self, client, **query):
        answer = client.get(url("api:drill-list"), query)
        return [row["code"] for row in answer.json()["results"]]

    @pytest.fixture(autouse=True)
    def _drills(self, cast):
        add(cast.club, "alone", players_min=1, players_max=1, place="home", name="Peña")
        add(cast.club, "four", checks=["F1", "L2"], court={"view": "half", "players": []}, own=True)
        add(cast.club, "gone", retired_on="2026-01-01")
        add(cast.other_club, "theirs")

    def test_filters(self, cast):
        for query, found in [
            ({}, ["alone", "four"]),
            ({"players": "1"}, ["alone"]),
            ({"players": "3"}, ["four"]),
            ({"word": "pena"}, ["alone"]),
            ({"area": "lob"}, ["four"]),
            ({"check": "F1", "place": "home"}, ["alone"]),
        ]:
            assert self.codes(cast.client(cast.student), **query) == found, query
        assert cast.client(cast.student).get(url("api:drill-list"), {"players": "9"}).status_code == 400

    def test_what_is_out_of_use_is_for_coaches_who_ask(self, cast):
        assert self.codes(cast.client(cast.assistant)) == ["alone", "four"]
        assert self.codes(cast.client(cast.assistant), retired="true") == ["alone", "four", "gone"]
        assert self.codes(cast.client(cast.student), retired="true") == ["alone", "four"]
        detail = url("api:drill-detail", "gone")
        assert cast.client(cast.assistant).get(detail).json()["retired_on"] == "2026-01-01"
        assert cast.client(cast.student).get(detail).status_code == 404

    def test_one_with_its_plan_read_only(self, cast):
        client = cast.client(cast.guardian)
        row = client.get(url("api:drill-detail", "four")).json()
        assert row["court"] == {"view": "half", "players": []}
        assert (row["own"], row["areas"], row["checks"]) == (True, ["feet", "lob"], ["F1", "L2"])
        assert client.post(url("api:drill-list"), {}).status_code == 405
        assert client.get(url("api:drill-detail", "theirs")).status_code == 404
        assert cast.client(cast.stranger).get(url("api:drill-detail", "four")).status_code == 404

    def test_flat_queries(self, cast):
        client = cast.client(cast.student)

        def queries():
            with CaptureQueriesContext(connection) as found:
                client.get(url("api:drill-list"), {"word": "drill"})
            return len(found)

        add(cast.club, "drill-a")
        queries()
        few = queries()
        for n in range(49):
            add(cast.club, f"drill-{n}", checks=["F1", "L2"])
        assert queries() == few
