"""The pages of coaches: what each shows to whom, what each says to bad input, and what it costs in queries."""

import json
import uuid
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from players.models import Area, Unit
from sessions import services
from sessions.models import Analysis, AnalysisComment, Cover, LensArea, Match, Seat
from tests import factories as make
from tests.sessions.chain import make_chain, unit_of

pytestmark = pytest.mark.django_db


def url(name, *args):
    return reverse(name, args=["seaside", *args])


def text_of(answer):
    return " ".join(answer.content.decode().split())


class TestDesk:
    def test_the_most_urgent_first_with_a_sentence(self, chain):
        cast, today = chain.cast, chain.cast.club.today()
        Analysis.objects.filter(pk=chain.analysis.pk).update(due_on=today - timedelta(days=1))
        match = make.make_match(cast.club, [cast.dan, None, None, None])
        dan = [unit_of(cast.dan)]
        asked = Analysis.objects.create(match=match, check_list=cast.check_list)
        Cover.objects.create(analysis=asked, match=match, unit=dan[0])
        make_chain(cast, match=match, units=dan, state="submitted", submitted_at=timezone.now())
        make_chain(cast, match=match, units=dan, state="assigned", due_on=today)
        make_chain(cast, match=match, units=dan, state="published", published_at=timezone.now())
        answer = cast.client(cast.head_coach).get(url("desk"))
        page = text_of(answer)
        assert "1 late, 1 to review, 1 being analysed, 1 not given out." in page
        heads = ["Late", "Waiting for your review", "Being analysed", "Not given to anybody yet"]
        places = [page.index(f"<h2>{head}</h2>") for head in heads]
        assert places == sorted(places)
        assert [row["analysis"].state for row in answer.context["rows"]] == [
            "in_progress",
            "submitted",
            "assigned",
            "requested",
        ]
        assert page.count('data-state="late"') == 1
        assert page.count(">Assign<") == 1

    def test_handed_in_is_not_late(self, chain):
        yesterday = chain.cast.club.today() - timedelta(days=1)
        Analysis.objects.filter(pk=chain.analysis.pk).update(
            due_on=yesterday, state="submitted", submitted_at=timezone.now()
        )
        answer = chain.cast.client(chain.cast.head_coach).get(url("desk"))
        assert "1 to review." in text_of(answer)
        assert 'data-state="late"' not in text_of(answer)

    def test_empty(self, cast):
        page = text_of(cast.client(cast.head_coach).get(url("desk")))
        assert "Nothing is open." in page
        assert url("request_analysis") in page

    def test_assigning_from_the_desk(self, chain):
        cast = chain.cast
        Analysis.objects.filter(pk=chain.analysis.pk).update(state="requested", analyst=None)
        client = cast.client(cast.head_coach)
        page = client.get(url("desk")).content.decode()
        assert f'<option value="{cast.two_clubs.pk}">{cast.two_clubs.name}, 0 open</option>' in page
        answer = client.post(
            url("analysis_assign", chain.analysis.uuid),
            {"analyst": cast.two_clubs.pk, "due_on": ""},
            follow=True,
        )
        assert "It is on their list now." in text_of(answer)
        assert chain.fresh().analyst.user == cast.two_clubs

    def test_who_has_a_stake_stands_there_with_the_reason(self, chain):
        cast = chain.cast
        make.guard(cast.dan, cast.two_clubs)
        Analysis.objects.filter(pk=chain.analysis.pk).update(state="requested", analyst=None)
        page = cast.client(cast.head_coach).get(url("desk")).content.decode()
        assert f'<option value="{cast.two_clubs.pk}" disabled>{cast.two_clubs.name}: played here' in page

    def test_only_for_who_reviews(self, cast):
        for person in (cast.assistant, cast.manager, cast.student, cast.guardian):
            assert cast.client(person).get(url("desk")).status_code == 403


class TestQueue:
    def test_one_s_own_by_day_with_why_it_came_back(self, chain):
        cast, today = chain.cast, chain.cast.club.today()
        Analysis.objects.filter(pk=chain.analysis.pk).update(
            state="returned", due_on=today - timedelta(days=2)
        )
        AnalysisComment.objects.create(analysis=chain.analysis, by=cast.head_coach, text="Older words")
        AnalysisComment.objects.create(analysis=chain.analysis, by=cast.head_coach, text="Look <again>")
        soon = make_chain(cast, match=chain.match, due_on=today + timedelta(days=1))
        dateless = make_chain(cast, match=chain.match)
        done = make_chain(cast, match=chain.match, state="submitted", submitted_at=timezone.now())
        make_chain(cast, match=chain.match, analyst=cast.two_clubs)
        make_chain(cast, match=chain.match, state="published", published_at=timezone.now())
        answer = cast.client(cast.assistant).get(url("queue"))
        assert [row["analysis"] for row in answer.context["rows"]] == [
            chain.analysis,
            soon.analysis,
            dateless.analysis,
            done.analysis,
        ]
        page = text_of(answer)
        assert page.count('data-state="late"') == 1
        assert "Look &lt;again&gt;" in page
        assert "Older words" not in page

    def test_empty(self, cast):
        assert "Nothing to analyse" in text_of(cast.client(cast.assistant).get(url("queue")))
        assert cast.client(cast.student).get(url("queue")).status_code == 403


class TestRequestPage:
    def ask(self, chain, **changed):
        cast = chain.cast
        data = {
            "match": chain.match.uuid,
            "units": ["1", "A"],
            "areas": [chain.area("lob").pk, chain.area("net").pk],
            "analyst": cast.assistant.pk,
            "due_on": (cast.club.today() + timedelta(days=3)).isoformat(),
            "purpose": "count",
            "plan": "all",
            "extent": "full",
            **changed,
        }
        return cast.client(cast.head_coach).post(url("request_analysis"), data)

    def test_match_first(self, chain):
        client = chain.cast.client(chain.cast.head_coach)
        page = text_of(client.get(url("request_analysis")))
        assert f"{url('request_analysis')}?match={chain.match.uuid}" in page
        form = text_of(client.get(url("request_analysis") + f"?match={chain.match.uuid}"))
        ana, dan = chain.cast.ana.name, chain.cast.dan.name
        assert f"{ana} and {dan} as a pair" in form
        assert "Net as a pair" in form or "pair" in chain.area("net").name.lower()
        assert "1 open" in form

    def test_asked_for(self, chain):
        answer = self.ask(chain)
        made = Analysis.objects.latest("pk")
        assert answer["Location"] == url("analysis", made.uuid)
        assert made.state == "assigned"
        assert set(made.units.all()) == {
            chain.unit,
            Unit.objects.pair_of(chain.cast.ana, chain.cast.dan),
        }

    def test_what_is_asked_of_each_rally_is_wished_and_goes_on_in_a_correction(self, chain):
        self.ask(chain)
        assert Analysis.objects.latest("pk").rally_facts == []
        client = chain.cast.client(chain.cast.head_coach)
        form = text_of(client.get(url("request_analysis") + f"?match={chain.match.uuid}"))
        for words in (
            "who was at the net when it ended",
            "whose hit ended it",
            "under pressure",
            "one key more",
        ):
            assert words in form
        self.ask(chain, rally_facts=["ended_how", "net_pair"])
        made = Analysis.objects.latest("pk")
        assert made.rally_facts == ["net_pair", "ended_how"]
        made.state, made.published_at = "published", timezone.now()
        made.save()
        again = services.new_version(by=chain.cast.head_coach, analysis=made)
        assert again.rally_facts == ["net_pair", "ended_how"]

    def test_the_service_takes_no_other_fact(self, chain):
        with pytest.raises(ValidationError, match="three things more"):
            services.request_analysis(
                by=chain.cast.head_coach,
                match=chain.match,
                units=[chain.unit],
                areas=[chain.area("lob")],
                rally_facts=["weather"],
            )

    @pytest.mark.parametrize(
        ("field", "words", "change"),
        [
            ("units", "at least one player", lambda chain: {"units": []}),
            ("units", "not one of the available", lambda chain: {"units": ["3"]}),
            ("units", "not one of the available", lambda chain: {"units": ["B"]}),
            ("areas", "at least one area", lambda chain: {"areas": []}),
            ("areas", "not one of the available", lambda chain: {"areas": [foreign(chain).pk]}),
            ("areas", "as a pair", lambda chain: {"areas": [chain.area("lob").pk]}),
            ("analyst", "played in this match", lambda chain: {"analyst": stakeholder(chain).pk}),
            ("analyst", "not one of the available", lambda chain: {"analyst": chain.cast.student.pk}),
            ("due_on", "past", lambda chain: {"due_on": "2026-01-01"}),
            ("due_on", "valid date", lambda chain: {"due_on": "soon"}),
            ("purpose", "not one of the available", lambda chain: {"purpose": "fun"}),
            ("rally_facts", "not one of the available", lambda chain: {"rally_facts": ["weather"]}),
        ],
    )
    def test_bad_input_is_said_at_its_field(self, chain, field, words, change):
        before = Analysis.objects.count()
        answer = self.ask(chain, **change(chain))
        assert answer.status_code == 422
        assert words in " ".join(answer.context["form"].errors[field])
        assert answer.content.decode().count('class="errorlist"') == 1
        assert Analysis.objects.count() == before

    def test_a_match_that_is_not_there(self, chain):
        client = chain.cast.client(chain.cast.head_coach)
        assert client.get(url("request_analysis") + f"?match={uuid.uuid4()}").status_code == 404
        assert client.get(url("request_analysis") + "?match=nonsense").status_code == 404
        foreign_match = make.make_match(chain.cast.other_club)
        assert client.get(url("request_analysis") + f"?match={foreign_match.uuid}").status_code == 404

    def test_only_visitors(self, chain):
        empty = make.make_match(chain.cast.club)
        client = chain.cast.client(chain.cast.head_coach)
        page = text_of(client.get(url("request_analysis") + f"?match={empty.uuid}"))
        assert "Only visitors played" in page

    def test_only_the_head_coach(self, cast):
        assert cast.client(cast.assistant).get(url("request_analysis")).status_code == 403


def foreign(chain):
    return Area.objects.get(club=chain.cast.other_club, code="lob")


def stakeholder(chain):
    make.guard(chain.cast.ana, chain.cast.two_clubs)
    return chain.cast.two_clubs


class TestMatchPages:
    def new(self, cast, **changed):
        data = {
            "played_on": "2026-09-01",
            "kind": "league",
            "place": "indoor",
            "walls": "glass",
            "first_server": "1",
            "first_near": "A",
            "played_to": "sets",
            "deuce": "golden",
            "sets_to_win": "2",
            "games_per_set": "6",
            "tiebreak": "on",
            "points_rule": "first_to",
            "seat_1": cast.ana.pk,
            "seat_1_side": "left",
            "seat_2": cast.dan.pk,
            "seat_3": "visitor",
            "seat_3_consent": "on",
            "seat_4": cast.ben.pk,
            **changed,
        }
        return cast.client(cast.assistant).post(url("match_new"), {k: v for k, v in data.items() if v != ""})

    def test_a_new_one(self, cast):
        page = text_of(cast.client(cast.assistant).get(url("match_new")))
        assert f'value="{cast.club.today().isoformat()}"' in page
        answer = self.new(cast)
        match = Match.objects.get()
        assert answer["Location"] == url("match", match.uuid)
        assert (match.match_format.deuce, match.match_format.sets_to_win) == ("golden", 2)
        assert [seat.player for seat in match.seats.all()] == [cast.ana, cast.dan, None, cast.ben]
        assert match.seats.get(position=3).visitor_consent

    def test_the_club_s_deuce_is_offered(self, cast):
        cast.club.deuce = "star"
        cast.club.save(update_fields=["deuce"])
        page = cast.client(cast.assistant).get(url("match_new")).content.decode()
        assert '<option value="star" selected>' in page

    def test_to_points_and_free(self, cast):
        self.new(cast, played_to="points", points_to="24", points_rule="total")
        self.new(cast, played_to="free")
        points, free = Match.objects.order_by("pk")
        assert (points.match_format.points_to, points.match_format.points_rule) == (24, "total")
        assert free.match_format.kind == "free"

    @pytest.mark.parametrize(
        ("field", "words", "change"),
        [
            ("seat_3", "or that it was a visitor", lambda cast: {"seat_3": ""}),
            ("seat_2", "sits on place 1 already", lambda cast: {"seat_2": cast.ana.pk}),
            ("seat_2", "not one of the available", lambda cast: {"seat_2": cast.other_player.pk}),
            ("seat_2", "same side", lambda cast: {"seat_2_side": "left"}),
            ("played_on", "lies ahead", lambda cast: {"played_on": "2999-01-01"}),
            ("played_on", "required", lambda cast: {"played_on": ""}),
            ("points_to", "how many points", lambda cast: {"played_to": "points"}),
            ("games_per_set", "less than or equal to 12", lambda cast: {"games_per_set": "13"}),
            (
                "match_tiebreak",
                "no last set",
                lambda cast: {"sets_to_win": "1", "match_tiebreak": "on"},
            ),
        ],
    )
    def test_bad_input_is_said_at_its_field(self, cast, field, words, change):
        answer = self.new(cast, **change(cast))
        assert answer.status_code == 422
        assert words in " ".join(answer.context["form"].errors[field])
        assert answer.content.decode().count('class="errorlist"') == 1
        assert not Match.objects.exists()
        assert not Seat.objects.exists()

    def test_the_page_of_a_match(self, chain):
        cast = chain.cast
        make.consent(cast.ana)
        page = text_of(cast.client(cast.assistant).get(url("match", chain.match.uuid)))
        assert "0-0 30-0 after 2 rallies" in page
        assert page.count("no consent") == 1
        assert "first to 2 sets of 6 games, advantage" in page
        assert url("analysis", chain.analysis.uuid) in page
        assert "Ask for an analysis" not in page
        other = cast.client(cast.two_clubs).get(url("match", chain.match.uuid)).content.decode()
        assert url("analysis", chain.analysis.uuid) not in other
        head = cast.client(cast.head_coach).get(url("match", chain.match.uuid)).content.decode()
        assert url("analysis", chain.analysis.uuid) in head
        assert f"?match={chain.match.uuid}" in head

    @pytest.mark.parametrize(
        ("played", "rows", "said", "unsaid"),
        [
            (None, 2, "0-0 30-0 after 2 rallies", "with a row"),
            (2, 2, "2 rallies played, 2 with a row", "no score follows"),
            (2, 2, "0-0 30-0 after 2 rallies", "no score follows"),
            (41, 2, "41 rallies played, 2 with a row", "0-0 30-0"),
            (41, 2, "no score follows", "after 2 rallies"),
            (41, 0, "41 rallies played, 0 with a row", "No rallies are entered"),
            (1, 1, "1 rally played, 1 with a row", "rallies played"),
            (0, 0, "0 rallies played, 0 with a row", "no score follows"),
        ],
    )
    def test_rallies_that_were_played_and_those_with_a_row(self, chain, played, rows, said, unsaid):
        for rally in chain.rallies[rows:]:
            rally.delete()
        Match.objects.update(rallies_played=played)
        page = text_of(chain.cast.client(chain.cast.assistant).get(url("match", chain.match.uuid)))
        assert said in page
        assert unsaid not in page

    def test_entries_that_contradict_the_rules_are_counted(self, chain):
        make.make_rally(chain.match, 3, server=4)
        page = text_of(chain.cast.client(chain.cast.assistant).get(url("match", chain.match.uuid)))
        assert "1 entry contradicts the rules" in page

    def test_the_list_is_empty_or_paged(self, cast):
        client = cast.client(cast.assistant)
        assert "No matches yet" in text_of(client.get(url("match_list")))
        for _n in range(51):
            make.make_match(cast.club, [cast.ana, None, None, None])
        page = text_of(client.get(url("match_list")))
        assert "51 matches, the latest first." in page
        assert "page 1 of 2" in page
        assert page.count('<th scope="row">') == 50
        assert text_of(client.get(url("match_list") + "?page=2")).count('<th scope="row">') == 1

    def test_cancelled_and_withdrawn_analyses_are_no_look(self, chain):
        make_chain(chain.cast, match=chain.match, state="cancelled")
        page = chain.cast.client(chain.cast.assistant).get(url("match_list"))
        (match,) = page.context["page"].object_list
        assert match.looked_at == 1
        Analysis.objects.update(state="cancelled")
        page = chain.cast.client(chain.cast.assistant).get(url("match_list"))
        assert [row.looked_at for row in page.context["page"].object_list] == [0]

    def test_not_for_students(self, chain):
        for person in (chain.cast.student, chain.cast.guardian, chain.cast.manager):
            client = chain.cast.client(person)
            for name in ("match_list", "match_new"):
                assert client.get(url(name)).status_code == 403
            assert client.get(url("match", chain.match.uuid)).status_code == 403


class TestAnalysisPage:
    def page(self, chain, person, status=200):
        answer = chain.cast.client(person).get(url("analysis", chain.analysis.uuid))
        assert answer.status_code == status
        return answer

    def steps(self, chain, person):
        return set(self.page(chain, person).context["steps"])

    @pytest.mark.parametrize(
        ("state", "analyst", "head"),
        [
            ("in_progress", {"submit"}, {"assign", "words", "cancel"}),
            ("returned", {"submit"}, {"assign", "words", "cancel"}),
            ("submitted", set(), {"return", "publish", "words", "cancel"}),
            ("published", set(), {"words", "version", "withdraw"}),
            ("withdrawn", set(), {"version"}),
            ("cancelled", set(), set()),
        ],
    )
    def test_steps_that_are_open(self, chain, state, analyst, head):
        Analysis.objects.filter(pk=chain.analysis.pk).update(state=state, published_at=timezone.now())
        assert self.steps(chain, chain.cast.assistant) == analyst
        assert self.steps(chain, chain.cast.head_coach) == head

    def test_her_own_can_be_published_at_once(self, cast):
        chain = make_chain(cast, analyst=cast.head_coach)
        assert self.steps(chain, cast.head_coach) == {"assign", "submit", "publish", "words", "cancel"}

    def test_with_a_stake_there_is_a_sentence_in_place_of_buttons(self, chain):
        make.guard(chain.cast.dan, chain.cast.head_coach)
        chain.state("submitted")
        answer = self.page(chain, chain.cast.head_coach)
        assert "You or your family played in this match" in text_of(answer)
        assert set(answer.context["steps"]) == {"cancel"}

    def test_who_may_not_see_it(self, chain):
        self.page(chain, chain.cast.two_clubs, 404)
        for person in (chain.cast.student, chain.cast.manager, chain.cast.guardian):
            self.page(chain, person, 403)

    def test_what_it_says(self, chain):
        chain.see(marks={"L2": "met"})
        chain.see(shown_only=True)
        chain.close()
        page = text_of(self.page(chain, chain.cast.assistant))
        assert "2 situations: 1 counted so far, 1 only shown." in page
        assert "Lob: still open in 1 of 2 rallies (2)." in page
        assert "None yet." in page

    def test_nothing_marked_yet_is_no_row_of_noughts(self, chain):
        page = text_of(self.page(chain, chain.cast.assistant))
        assert "No situation is marked yet." in page
        assert "0 situations" not in page

    def test_it_leads_back_and_on_to_the_students_pages(self, cast):
        ana, dan = cast.ana, cast.dan
        units = [unit_of(ana), unit_of(dan), Unit.objects.pair_of(ana, dan)]
        chain = make_chain(cast, areas=("lob", "net"), units=units)
        page = text_of(self.page(chain, cast.head_coach))
        assert f"{units[2].name}, each and as a pair" in page
        assert f'<a href="{url("desk")}">Desk</a> ' in " ".join(page.split("page-head")[1].split())
        for player in (ana, dan):
            assert page.count(url("student_page", player.uuid)) == 1
        own = text_of(self.page(chain, cast.assistant))
        assert f'<a href="{url("queue")}">To analyse</a> ' in " ".join(own.split("page-head")[1].split())

    def test_handing_in_tells_open_areas(self, chain):
        client = chain.cast.client(chain.cast.assistant)
        answer = client.post(url("analysis_submit", chain.analysis.uuid), {"devices": "{}"}, follow=True)
        page = text_of(answer)
        assert "Handed in." in page
        assert "Lob: still open in 2 of 2 rallies (1, 2)." in page
        assert chain.fresh().state == "submitted"

    def test_handing_in_as_a_script_does(self, chain):
        client = chain.cast.client(chain.cast.assistant)
        device = uuid.uuid4()
        data = {"devices": json.dumps({str(device): 2})}
        head = {"headers": {"accept": "application/json"}}
        answer = client.post(url("analysis_submit", chain.analysis.uuid), data, **head)
        assert answer.status_code == 422
        assert "2 marks have not arrived" in answer.json()["errors"]["devices"][0]["message"]
        chain.op(device, 1)
        chain.op(device, 2)
        answer = client.post(url("analysis_submit", chain.analysis.uuid), data, **head)
        assert answer.json() == {
            "state": "submitted",
            "open": ["Lob: still open in 2 of 2 rallies (1, 2)."],
            "url": url("analysis", chain.analysis.uuid),
        }

    def test_the_whole_way(self, chain):
        """Handed in, returned, handed in again, published, corrected, withdrawn: each by its button."""
        cast = chain.cast
        chain.see(marks={"L2": "met"})
        chain.close()
        analyst, head = cast.client(cast.assistant), cast.client(cast.head_coach)
        where = [chain.analysis.uuid]
        analyst.post(url("analysis_submit", *where), {})
        head.post(url("analysis_return", *where), {"text": "Look again"})
        assert "Look again" in text_of(self.page(chain, cast.assistant))
        analyst.post(url("analysis_submit", *where), {})
        answer = head.post(
            url("analysis_publish", *where), {"words": "Good lobs.", "devices": "{}"}, follow=True
        )
        assert "Published. The scores follow" in text_of(answer)
        assert chain.fresh().words == "Good lobs."
        head.post(url("analysis_words", *where), {"words": "Better words."})
        assert chain.fresh().words == "Better words."
        answer = head.post(url("analysis_version", *where), {}, follow=True)
        fresh = Analysis.objects.get(supersedes=chain.analysis)
        assert answer.redirect_chain == [(url("analysis", fresh.uuid), 302)]
        assert "Version 1" in text_of(answer)
        head.post(url("analysis_publish", fresh.uuid), {"words": "Third words."})
        assert Cover.objects.get(current=True).analysis == fresh
        old = text_of(self.page(chain, cast.assistant))
        assert "Version 2" in old
        assert url("analysis", fresh.uuid) not in old, "an assistant opens her own versions only"
        head.post(url("analysis_withdraw", fresh.uuid))
        assert Analysis.objects.get(pk=fresh.pk).state == "withdrawn"
        assert not Cover.objects.filter(current=True).exists()

    @pytest.mark.parametrize(
        ("step", "state", "data", "field", "words"),
        [
            ("return", "submitted", {"text": ""}, "text", "Say what should be looked at"),
            ("return", "submitted", {"text": "a" * 2001}, "text", "at most 2000"),
            ("return", "in_progress", {"text": "x"}, "__all__", "only a submitted analysis can be returned"),
            ("publish", "submitted", {"words": "a" * 4001}, "words", "at most 4000"),
            ("publish", "in_progress", {}, "__all__", "only a submitted analysis can be published"),
            ("publish", "published", {}, "__all__", "It is published"),
            ("words", "cancelled", {"words": "x"}, "__all__", "nobody reads it"),
            ("withdraw", "submitted", {}, "__all__", "only a published analysis"),
            ("version", "submitted", {}, "__all__", "only what was published"),
            ("cancel", "published", {}, "__all__", "nothing left to cancel"),
            ("assign", "in_progress", {"analyst": ""}, "analyst", "required"),
            ("assign", "in_progress", {"analyst": "0"}, "analyst", "not one of the available"),
        ],
    )
    def test_bad_input_is_said_on_the_page(self, chain, step, state, data, field, words):
        Analysis.objects.filter(pk=chain.analysis.pk).update(state=state, published_at=timezone.now())
        before = Analysis.objects.values().get(pk=chain.analysis.pk)
        client = chain.cast.client(chain.cast.head_coach)
        answer = client.post(url(f"analysis_{step}", chain.analysis.uuid), data)
        assert answer.status_code == 422
        assert words in " ".join(answer.context["steps"][step].errors[field])
        page = text_of(answer)
        assert words in page
        assert page.count('<details class="drawer" open>') == 1
        assert Analysis.objects.values().get(pk=chain.analysis.pk) == before

    def test_bad_devices(self, chain):
        client = chain.cast.client(chain.cast.assistant)
        for sent in ("nonsense", "[]", '{"x": 1}'):
            answer = client.post(url("analysis_submit", chain.analysis.uuid), {"devices": sent})
            assert answer.status_code == 422
            assert answer.context["steps"]["submit"].errors["devices"]
        assert chain.fresh().state == "in_progress"

    def test_steps_of_others_are_refused(self, chain):
        chain.state("submitted")
        cast, where = chain.cast, chain.analysis.uuid
        for step in ("return", "publish", "words", "version", "withdraw", "cancel", "assign"):
            assert cast.client(cast.assistant).post(url(f"analysis_{step}", where)).status_code == 403
        assert cast.client(cast.head_coach).post(url("analysis_submit", where)).status_code == 403
        assert cast.client(cast.two_clubs).post(url("analysis_submit", where)).status_code == 404
        make.guard(cast.dan, cast.head_coach)
        answer = cast.client(cast.head_coach).post(url("analysis_publish", where), {"words": ""})
        assert answer.status_code == 403
        assert "You or your family" in text_of(answer)


class TestQueryCounts:
    """The same at 10 and at 500 rows: a page shows 50 of them."""

    def grow(self, cast, count):
        """Matches with four players of the club, a film-less analysis each, in all states of the desk."""
        club, area = cast.club, Area.objects.get(club=cast.club, code="lob")
        today, analyst = club.today(), make.make_analyst(cast.club, cast.assistant)
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        matches = Match.objects.bulk_create(
            Match(club=club, played_on=date(2026, 1, 1) + timedelta(days=n % 300)) for n in range(count)
        )
        Seat.objects.bulk_create(
            Seat(match=match, position=position, player=player)
            for match in matches
            for position, player in enumerate((cast.ana, cast.dan, cast.ben, None), 1)
        )
        kinds = ["requested", "assigned", "in_progress", "submitted", "returned"]
        analyses = Analysis.objects.bulk_create(
            Analysis(
                match=match,
                check_list=cast.check_list,
                state=kinds[n % 5],
                analyst=None if n % 5 == 0 else analyst,
                due_on=today + timedelta(days=n % 7 - 3),
            )
            for n, match in enumerate(matches)
        )
        Cover.objects.bulk_create(Cover(analysis=row, match=row.match, unit=pair) for row in analyses)
        LensArea.objects.bulk_create(LensArea(analysis=row, area=area) for row in analyses)
        AnalysisComment.objects.bulk_create(
            AnalysisComment(analysis=row, by=cast.head_coach, text="Again") for row in analyses
        )

    @pytest.mark.parametrize(
        ("name", "who"),
        [
            ("desk", "head_coach"),
            ("queue", "assistant"),
            ("match_list", "assistant"),
            ("request_analysis", "head_coach"),
        ],
    )
    def test_they_do_not_grow(self, cast, name, who):
        client = cast.client(getattr(cast, who))

        def counted():
            with CaptureQueriesContext(connection) as queries:
                answer = client.get(url(name))
            assert answer.status_code == 200
            return len(queries), len(answer.context["page"].object_list)

        self.grow(cast, 10)
        few, shown = counted()
        assert shown >= 8
        self.grow(cast, 490)
        many, shown = counted()
        assert shown == 50
        assert many == few

    def test_nor_on_the_page_of_a_match(self, chain):
        client = chain.cast.client(chain.cast.head_coach)

        def counted():
            with CaptureQueriesContext(connection) as queries:
                assert client.get(url("match", chain.match.uuid)).status_code == 200
            return len(queries)

        few = counted()
        for n in range(20):
            make_chain(chain.cast, match=chain.match)
            make.make_rally(chain.match, 3 + n)
        assert counted() == few
