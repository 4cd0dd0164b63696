"""The listening page and its JSON: for whom, how many, each act and its refusal, and every sentence."""

import json
import re
from html import unescape
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach import formatting, jobs
from clubcoach.models import Job
from players.models import FilmConsent
from sessions import listening_words as words
from sessions import services
from sessions.models import Film, Hearing, MatchFilm, Rally, RallyProposal
from sessions.views import listening as views
from tests import factories as make
from tests.sessions.court_scene import make_film
from tests.sessions.moving import agree

pytestmark = pytest.mark.django_db

# Three rallies in a minute of film: (start, end, confidence).
HEARD = [(5.0, 12.0, 0.93), (20.0, 26.0, 0.6), (40.0, 44.5, 0.2)]


def url(name: str, *args: Any) -> str:
    return reverse(name, args=["seaside", *args])


def text_of(answer: Any) -> str:
    body = re.sub(r"<script.*?</script>", " ", answer.content.decode(), flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def hear(film: Film, rallies: Any = HEARD, **fields: Any) -> Hearing:
    hits = [
        [start + step, "racket", 0.9] for start, end, _sure in rallies for step in (0.0, 2.0, end - start)
    ]
    hits += [[6.1, "floor", 0.5], [7.5, "glass", 0.5]]
    given: dict[str, Any] = {"verdict": "good", "hits": sorted(hits), **fields}
    hearing = Hearing.objects.create(film=film, **given)
    RallyProposal.objects.bulk_create(
        RallyProposal(hearing=hearing, start_s=start, end_s=end, confidence=sure)
        for start, end, sure in rallies
    )
    return hearing


@pytest.fixture
def film(chain: Any) -> Film:
    agree(chain.match)
    Rally.objects.filter(match=chain.match).delete()
    return make_film(chain.match, audio_codec="opus", frame_rate=25.0, strip=[1.5])


def rows(film: Film) -> list[RallyProposal]:
    return list(RallyProposal.objects.filter(hearing__film=film))


def see(chain: Any, film: Film, person: Any = None, **query: Any) -> Any:
    return chain.cast.client(person or chain.cast.assistant).get(url("listening", film.uuid), query)


def act(chain: Any, film: Film, name: str, *, person: Any = None, htmx: bool = False, **data: Any) -> Any:
    client = chain.cast.client(person or chain.cast.assistant)
    headers = {"HX-Request": "true"} if htmx else {}
    fields = {"act": name, "match": str(chain.match.uuid), **data}
    return client.post(url("listening_act", film.uuid), fields, headers=headers, follow=not htmx)


def cells(answer: Any, row: RallyProposal) -> list[str]:
    found = re.search(rf'<tr id="rally-{row.pk}".*?</tr>', answer.content.decode(), flags=re.S)
    assert found
    parts = re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", found[0], flags=re.S)
    return [" ".join(unescape(re.sub(r"<[^>]+>", " ", part)).split()) for part in parts]


class TestWho:
    @pytest.mark.parametrize(
        ("who", "status"),
        [
            ("head_coach", 200),
            ("assistant", 200),
            ("all_in_one", 200),
            ("manager", 403),
            ("student", 403),
            ("guardian", 403),
            ("stranger", 404),
        ],
    )
    def test_coaches_only(self, film: Film, chain: Any, who: str, status: int) -> None:
        hear(film)
        person = getattr(chain.cast, who)
        client = chain.cast.client(person)
        assert client.get(url("listening", film.uuid)).status_code == status
        assert client.get(url("api:hearing", film.uuid)).status_code == status
        pk = rows(film)[0].pk
        answer = act(chain, film, f"dismiss:{pk}", person=person)
        assert answer.status_code == status
        assert (rows(film)[0].state == "dismissed") == (status == 200)

    def test_without_a_login(self, film: Film, client: Any) -> None:
        assert client.get(url("listening", film.uuid)).status_code in (302, 404)

    def test_a_film_of_another_club_is_not_there(self, film: Film, chain: Any) -> None:
        film.club = make.make_club("hills")
        film.save()
        assert see(chain, film).status_code == 404


class TestList:
    def test_a_row_for_each_proposal(self, film: Film, chain: Any) -> None:
        hear(film)
        page = see(chain, film)
        assert "3 rallies proposed, 1 of them sure; 0 accepted so far." in text_of(page)
        assert [cells(page, row)[:6] for row in rows(film)] == [
            ["1", "0:05", "7 s", "3", "sure", "open"],
            ["2", "0:20", "6 s", "3", "fairly sure", "open"],
            ["3", "0:40", "4 s", "3", "a guess", "open"],
        ]
        assert f'href="{url("film_bytes", film.uuid)}#t=4.0"' in page.content.decode()
        assert "The sound is clear." in text_of(page)
        assert "Sound and picture are together." in text_of(page)

    def test_times_are_those_of_the_picture(self, film: Film, chain: Any) -> None:
        hear(film, delay_s=2.0)
        page = see(chain, film)
        assert cells(page, rows(film)[0])[1] == "0:03"
        assert "The sound is 2 s later than the picture" in text_of(page)
        assert 'data-start="3.000" data-end="10.000"' in page.content.decode()

    def test_what_the_match_has_already_is_not_offered_again(self, film: Film, chain: Any) -> None:
        MatchFilm.objects.update(offset_s=100.0)
        hear(film, [*HEARD, (50.0, 55.0, 0.9)], delay_s=1.0)
        make.make_rally(chain.match, number=7, start_s=100.0, end_s=104.01)
        make.make_rally(chain.match, number=8, start_s=124.9, end_s=127.0)
        make.make_rally(chain.match, number=9, start_s=139.0, end_s=None)
        make.make_rally(chain.match, number=10, start_s=143.5, end_s=149.0)
        page = see(chain, film)
        first, second, third, fourth = rows(film)
        assert [cells(page, row)[5] for row in rows(film)] == [
            "is rally 7 of the match",
            "is rally 8 of the match",
            "is rally 9 of the match",
            "open",
        ]
        assert "3 of them are rallies of the match already" in text_of(page)
        offered = page.content.decode()
        assert f'value="accept:{fourth.pk}"' in offered
        for row in (first, second, third):
            assert f'value="accept:{row.pk}"' not in offered
            assert f'value="dismiss:{row.pk}"' in offered
        assert "1 rally is still to be decided" in text_of(page)
        for row in (first, second, third):
            assert act(chain, film, f"accept:{row.pk}").status_code == 422
        assert act(chain, film, f"accept:{fourth.pk}").status_code == 200

    def test_what_somebody_does_first_is_said(self, film: Film, chain: Any) -> None:
        assert "Play the film, and say where each rally begins and ends." in text_of(see(chain, film))
        hear(film)
        assert "Begin with the next rally" in text_of(see(chain, film))
        act(chain, film, f"accept:{rows(film)[0].pk}")
        assert "2 rallies are still to be decided" in text_of(see(chain, film))
        act(chain, film, "dismiss", ids=[row.pk for row in rows(film)[1:]])
        assert "Every rally that is listed is decided." in text_of(see(chain, film))

    @pytest.mark.parametrize("n", [0, 1, 500])
    def test_any_number_in_the_same_few_questions(self, film: Film, chain: Any, n: int) -> None:
        Film.objects.update(duration_s=36_000)
        hear(film, [(10.0 * k + 1, 10.0 * k + 6, 0.9) for k in range(n)])
        client = chain.cast.client(chain.cast.head_coach)
        client.get(url("listening", film.uuid))
        with CaptureQueriesContext(connection) as caught:
            page = client.get(url("listening", film.uuid))
        assert page.status_code == 200
        assert page.content.decode().count("data-row=") == n
        assert len(caught) <= 26, len(caught)
        if not n:
            assert "No rallies listed yet" in text_of(page)

    def test_accepting_500_at_once_asks_few_questions(self, film: Film, chain: Any) -> None:
        Film.objects.update(duration_s=36_000)
        hear(film, [(10.0 * k + 1, 10.0 * k + 6, 0.9) for k in range(500)])
        with CaptureQueriesContext(connection) as caught:
            answer = act(chain, film, "accept", above="0.8", htmx=True)
        assert answer.status_code == 200
        assert Rally.objects.filter(match=chain.match).count() == 500
        assert len(caught) < 100, len(caught)

    def test_the_row_that_is_asked_for_has_its_times_in_a_form(self, film: Film, chain: Any) -> None:
        hear(film)
        page = see(chain, film, row=rows(film)[1].pk).content.decode()
        assert 'name="start" size="9" autocomplete="off" value="0:20"' in page
        assert "Rally 2, fairly sure (60 %)" in page
        assert 'aria-current="true"' in page

    def test_without_consent_nothing_is_played(self, film: Film, chain: Any) -> None:
        hear(film)
        FilmConsent.objects.filter(player=chain.cast.dan).delete()
        page = see(chain, film)
        assert page.status_code == 200
        assert "<video" not in page.content.decode()
        assert "Somebody in this film has withdrawn their consent" in text_of(page)
        assert "3 rallies proposed" in text_of(page)

    def test_one_of_several_matches_at_a_time(self, film: Film, chain: Any) -> None:
        other = make.make_match(chain.cast.club, [chain.cast.ana, None, None, None])
        other.seats.update(visitor_consent=True)
        MatchFilm.objects.create(match=other, film=film, offset_s=-30.0)
        hear(film)
        first, second = see(chain, film), see(chain, film, match=other.uuid)
        assert "2 rallies proposed" in text_of(first)
        assert "1 rally proposed" in text_of(second)
        assert f'href="{url("listening", film.uuid)}?match={other.uuid}" aria-current="true"' in (
            second.content.decode()
        )
        for begins, shown in (("0:00", chain.match), ("0:30", other)):
            assert f"From {begins}: {formatting.day(shown.played_on, chain.cast.club)}" in text_of(first)
        answer = act(chain, film, f"accept:{rows(film)[2].pk}", match="")
        assert answer.status_code == 422
        assert "choose a match that the film shows" in text_of(answer)

    def test_read_only_without_the_right_state(self, film: Film, chain: Any) -> None:
        hear(film)
        Film.objects.update(state="gone", gone_at=timezone.now(), gone_why="rule", name="", file="")
        page = see(chain, film)
        assert "This film is deleted" in text_of(page)
        assert "<button" not in page.content.decode().split("data-listening")[1]


class TestWork:
    @pytest.mark.parametrize(
        ("state", "said"),
        [
            ("arrived", "is being read"),
            ("making", "being made playable"),
            ("paused", "is paused"),
            ("refused", "was refused"),
            ("away", "stays on a coach's own disk, so its sound is not here"),
        ],
    )
    def test_films_that_cannot_be_listened_to_say_why(
        self, film: Film, chain: Any, state: str, said: str
    ) -> None:
        Film.objects.update(state=state, file="", slices="a" * 64)
        page = see(chain, film)
        assert page.status_code == 200
        assert said in text_of(page)
        assert "<video" not in page.content.decode()
        assert "Listen to it" not in text_of(page)

    def test_nobody_has_listened_yet(self, film: Film, chain: Any) -> None:
        page = see(chain, film)
        assert "Nobody has listened to this film yet." in text_of(page)
        answer = act(chain, film, "again")
        assert "The film is listened to." in text_of(answer)
        assert Job.objects.filter(kind="film.listen", key=str(film.uuid), state="waiting").count() == 1
        assert "Waiting for its turn" in text_of(answer)
        assert 'hx-trigger="every 2s"' in answer.content.decode()
        twice = act(chain, film, "again")
        assert twice.status_code == 422
        assert "listened to already" in text_of(twice)

    def test_the_part_that_looks_again(self, film: Film, chain: Any) -> None:
        job = jobs.enqueue("film.listen", club=chain.cast.club, key=str(film.uuid), film=film.pk)
        Job.objects.filter(pk=job.pk).update(state="running", note="Heard 12 of 60 min", progress=20)
        client = chain.cast.client(chain.cast.assistant)
        part = client.get(url("listening", film.uuid), headers={"HX-Request": "true"})
        assert " ".join(part.content.decode().split()).startswith('<div id="listening-work"')
        assert "Heard 12 of 60 min" in text_of(part)
        assert "HX-Refresh" not in part
        Job.objects.filter(pk=job.pk).update(state="done", finished_at=timezone.now())
        assert client.get(url("listening", film.uuid), headers={"HX-Request": "true"})["HX-Refresh"] == "true"

    def test_work_that_failed_says_so(self, film: Film, chain: Any) -> None:
        job = jobs.enqueue("film.listen", club=chain.cast.club, key=str(film.uuid), film=film.pk)
        Job.objects.filter(pk=job.pk).update(state="failed", note="It broke.", finished_at=timezone.now())
        page = text_of(see(chain, film))
        assert "Listening has stopped. It broke." in page
        assert "Find rallies by what moves" in page

    def test_useless_sound_offers_the_picture_and_the_hand(self, film: Film, chain: Any) -> None:
        hear(film, [], verdict="useless", reasons=["no_sound"])
        page = text_of(see(chain, film))
        assert "There is no sound in this film. The rallies can also be found by what moves" in page
        act(chain, film, "by_motion")
        assert Job.objects.get(kind="film.listen").args["way"] == "motion"

    def test_by_motion_no_hits_are_counted_and_nothing_can_be_late(self, film: Film, chain: Any) -> None:
        hear(film, way="motion", verdict="poor", hits=[], reasons=["by_motion"])
        page = see(chain, film)
        assert cells(page, rows(film)[0])[3] == "–"
        assert "7 s, hits not heard, sure, open." in page.content.decode()
        assert "Sound and picture" not in text_of(page)
        assert 'value="delay"' not in page.content.decode()

    def test_what_is_asked_for_comes_with_the_words_about_it_in_sight(self, film: Film, chain: Any) -> None:
        hear(film)
        client = chain.cast.client(chain.cast.assistant)

        def leads_to(name: str) -> str:
            fields = {"act": name, "match": str(chain.match.uuid)}
            return client.post(url("listening_act", film.uuid), fields)["Location"]

        assert leads_to(f"dismiss:{rows(film)[0].pk}").endswith("#listening-list")
        assert "#" not in leads_to("by_motion")
        assert "being looked through for what moves" in text_of(see(chain, film))

    def test_of_a_film_that_is_away_only_what_to_do_is_said(self, film: Film, chain: Any) -> None:
        Film.objects.update(state="away", file="", slices="a" * 64)
        page = see(chain, film)
        assert "Enter its rallies by hand on the sheet" in text_of(page)
        assert "No rallies listed yet" not in text_of(page)
        assert "listening-film" not in page.content.decode()


class TestActs:
    def test_accept_one_without_a_script(self, film: Film, chain: Any) -> None:
        hear(film)
        answer = act(chain, film, f"accept:{rows(film)[0].pk}")
        assert "1 rally accepted." in text_of(answer)
        rally = Rally.objects.get(match=chain.match)
        assert (rally.start_s, rally.end_s, rally.winner) == (5.0, 12.0, "")
        assert cells(answer, rows(film)[0])[5] == "accepted as rally 1"
        assert "The match" in text_of(answer)

    def test_after_accepting_it_leads_on(self, film: Film, chain: Any) -> None:
        hear(film)
        head, mine = chain.cast.head_coach, chain.cast.assistant
        before = see(chain, film, head).content.decode()
        act(chain, film, f"accept:{rows(film)[0].pk}")
        wanted = f"{url('request_analysis')}?match={chain.match.uuid}"
        assert wanted not in before
        assert wanted in see(chain, film, head).content.decode()
        assert url("sheet", chain.analysis.uuid) in see(chain, film, mine).content.decode()

    def test_accept_all_that_are_at_least_so_sure(self, film: Film, chain: Any) -> None:
        hear(film)
        act(chain, film, "accept", above="0.5")
        assert [row.state for row in rows(film)] == ["accepted", "accepted", "open"]
        again = act(chain, film, "accept", above="0.5")
        assert again.status_code == 422
        assert "No open rally is that sure." in text_of(again)

    @pytest.mark.parametrize("above", ["", "x", "nan", "-1", "2", "inf"])
    def test_a_share_that_is_none(self, film: Film, chain: Any, above: str) -> None:
        hear(film)
        assert act(chain, film, "accept", above=above).status_code == 422
        assert not Rally.objects.exists()

    def test_what_is_passed_over_is_named(self, film: Film, chain: Any) -> None:
        hear(film)
        make.make_rally(chain.match, start_s=21.0, end_s=24.0)
        answer = act(chain, film, "accept", above="0.5")
        assert "1 rally accepted. Passed over, at 0:20:" in text_of(answer)
        alone = act(chain, film, f"accept:{rows(film)[1].pk}")
        assert alone.status_code == 422
        assert "Nothing was accepted. Passed over, at 0:20:" in text_of(alone)

    def test_dismiss_and_open_again(self, film: Film, chain: Any) -> None:
        hear(film)
        pk = rows(film)[2].pk
        assert "1 rally dismissed." in text_of(act(chain, film, f"dismiss:{pk}"))
        assert rows(film)[2].state == "dismissed"
        assert "1 rally is open again." in text_of(act(chain, film, f"reopen:{pk}"))
        assert rows(film)[2].state == "open"

    def test_several_at_once(self, film: Film, chain: Any) -> None:
        hear(film)
        act(chain, film, "dismiss", ids=[row.pk for row in rows(film)[:2]])
        assert [row.state for row in rows(film)] == ["dismissed", "dismissed", "open"]

    def test_an_accepted_one_is_not_dismissed_at_once(self, film: Film, chain: Any) -> None:
        hear(film)
        pk = rows(film)[0].pk
        act(chain, film, f"accept:{pk}")
        answer = act(chain, film, f"dismiss:{pk}")
        assert answer.status_code == 422
        assert "Open it again before it is dismissed" in text_of(answer)
        assert "Nothing was changed." in text_of(answer)

    def test_correct_in_the_picture_s_time(self, film: Film, chain: Any) -> None:
        hear(film, delay_s=0.5)
        row = rows(film)[0]
        answer = act(chain, film, "correct", id=row.pk, start="0:03.5", end="0:11.5")
        assert "The times are corrected." in text_of(answer)
        row.refresh_from_db()
        assert (row.start_s, row.end_s) == (4.0, 12.0)
        assert "corrected; heard from 0:04.5 to 0:11.5" in cells(answer, row)[5]

    def test_what_was_put_back_is_as_it_was_heard(self, film: Film, chain: Any) -> None:
        hear(film)
        row = rows(film)[0]
        act(chain, film, "correct", id=row.pk, start="0:04", end="0:11")
        answer = act(chain, film, "correct", id=row.pk, start="0:05", end="0:12")
        assert cells(answer, row)[5] == "open"

    @pytest.mark.parametrize(
        ("start", "end", "said"),
        [
            ("x", "0:12", "Begins at: Write minutes and seconds"),
            ("0:05", "", "Ends at:"),
            ("0:12", "0:05", ""),
            ("0:05", "9:00", ""),
            ("-0:01", "0:12", ""),
            ("0:15", "0:22", ""),
        ],
    )
    def test_times_that_are_refused_stay_in_their_fields(
        self, film: Film, chain: Any, start: str, end: str, said: str
    ) -> None:
        hear(film)
        row = rows(film)[0]
        answer = act(chain, film, "correct", id=row.pk, start=start, end=end)
        assert answer.status_code == 422
        assert said in text_of(answer)
        page = answer.content.decode()
        for name, value in (("start", start), ("end", end)):
            assert f'id="times-{name}" name="{name}" size="9" autocomplete="off" value="{value}"' in page
        row.refresh_from_db()
        assert (row.start_s, row.end_s) == (5.0, 12.0)

    def test_add_by_hand_also_where_nobody_listened(self, film: Film, chain: Any) -> None:
        answer = act(chain, film, "add", start="0:30", end="0:37.25")
        assert "The rally is added." in text_of(answer)
        (row,) = rows(film)
        assert (row.start_s, row.end_s, row.by_hand) == (30.0, 37.25, True)
        assert "by hand" in cells(answer, row)[5]
        refused = act(chain, film, "add", start="0:50", end="0:40")
        assert refused.status_code == 422
        assert (
            'id="add-start" name="start" size="9" autocomplete="off" value="0:50"' in refused.content.decode()
        )

    def test_the_delay(self, film: Film, chain: Any) -> None:
        hear(film)
        answer = act(chain, film, "delay", seconds="0,25")
        assert "The sound is 0.25 s later" in text_of(answer)
        assert Hearing.objects.get().delay_s == 0.25
        for wrong in ("", "soon", "nan", "7"):
            refused = act(chain, film, "delay", seconds=wrong)
            assert refused.status_code == 422
            assert f'value="{wrong}"' in refused.content.decode()
        assert Hearing.objects.get().delay_s == 0.25

    @pytest.mark.parametrize("ids", ["", "x", "999999", "-1", "1" * 40])
    def test_ids_that_are_none_of_this_film(self, film: Film, chain: Any, ids: str) -> None:
        hear(film)
        for name in ("dismiss", "reopen"):
            assert act(chain, film, name, ids=ids).status_code == 422
        assert act(chain, film, "correct", id=ids, start="0:01", end="0:02").status_code == 422
        assert {row.state for row in rows(film)} == {"open"}

    def test_those_of_another_film_are_not_touched(self, film: Film, chain: Any) -> None:
        hear(film)
        other = make_film(chain.match, digest="e" * 64, audio_codec="opus")
        hear(other)
        assert act(chain, film, f"dismiss:{rows(other)[0].pk}").status_code == 422
        answer = act(chain, film, "correct", id=rows(other)[0].pk, start="0:01", end="0:02")
        assert answer.status_code == 422
        assert (rows(other)[0].state, rows(other)[0].end_s) == ("open", 12.0)

    def test_an_act_that_is_none(self, film: Film, chain: Any) -> None:
        answer = act(chain, film, "explode")
        assert answer.status_code == 422
        assert "Say what is to be done" in text_of(answer)

    def test_only_by_post(self, film: Film, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        assert client.get(url("listening_act", film.uuid)).status_code == 405


class TestScript:
    """What the page's script is sent: the list anew, what was done, and what takes it back."""

    def undo_of(self, answer: Any) -> Any:
        found = re.search(r'data-undo="([^"]*)"', answer.content.decode())
        return json.loads(unescape(found[1])) if found else []

    def back(self, chain: Any, film: Film, answer: Any) -> None:
        steps = self.undo_of(answer)
        assert steps
        for step in steps:
            again = act(chain, film, step.pop("act"), htmx=True, **step)
            assert again.status_code == 200, text_of(again)

    def state(self, film: Film) -> Any:
        facts = [(row.state, row.start_s, row.end_s) for row in rows(film) if row.state != "dismissed"]
        return facts, Hearing.objects.get().delay_s, Rally.objects.filter(dropped=False).count()

    @pytest.mark.parametrize(
        ("name", "fields"),
        [
            ("accept", {"above": "0.5"}),
            ("dismiss:0", {}),
            ("correct", {"id": 0, "start": "0:03.125", "end": "0:11.9"}),
            ("add", {"start": "0:30", "end": "0:35"}),
            ("delay", {"seconds": "-0.125"}),
        ],
    )
    def test_each_decision_can_be_taken_back(self, film: Film, chain: Any, name: str, fields: Any) -> None:
        hear(film, delay_s=0.4)
        pk = rows(film)[0].pk
        before = self.state(film)
        fields = {key: pk if key == "id" else value for key, value in fields.items()}
        answer = act(chain, film, name.replace(":0", f":{pk}"), htmx=True, **fields)
        assert answer.status_code == 200
        part = answer.content.decode()
        assert " ".join(part.split()).startswith('<div id="listening-list"')
        assert 'data-part="acted"' in part
        assert self.state(film) != before
        self.back(chain, film, answer)
        after = self.state(film)
        assert after[1:] == before[1:]
        assert [row[0] for row in after[0]] == [row[0] for row in before[0]]
        for one, other in zip(after[0], before[0], strict=True):
            assert one[1:] == pytest.approx(other[1:], abs=0.002)

    def test_the_list_leads_into_the_film_after_a_decision_too(self, film: Film, chain: Any) -> None:
        hear(film)
        ways = see(chain, film).content.decode().count("data-go")
        part = act(chain, film, f"accept:{rows(film)[0].pk}", htmx=True).content.decode()
        assert part.count("data-go") == ways == 3

    def test_opening_again_is_taken_back_to_what_it_was(self, film: Film, chain: Any) -> None:
        hear(film)
        first, second, _third = rows(film)
        act(chain, film, f"accept:{first.pk}")
        act(chain, film, f"dismiss:{second.pk}")
        answer = act(chain, film, "reopen", ids=[first.pk, second.pk], htmx=True)
        self.back(chain, film, answer)
        assert [row.state for row in rows(film)] == ["accepted", "dismissed", "open"]

    def test_a_refusal_comes_with_the_list_and_nothing_to_take_back(self, film: Film, chain: Any) -> None:
        hear(film)
        answer = act(chain, film, "delay", seconds="9", htmx=True)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.content.decode()
        assert not self.undo_of(answer)
        assert "3 rallies proposed" in text_of(answer)


class TestWords:
    @pytest.mark.parametrize("code", list(words.REASONS))
    def test_each_reason_is_a_sentence(self, code: str) -> None:
        (sentence,) = words.reasons([code])
        assert sentence.endswith(".")
        assert sentence[0].isupper()
        assert "_" not in sentence

    def test_every_reason_of_the_contract_has_one(self) -> None:
        contract = "no_sound silent noise too_short clipped dead_channel low_rate few_hits begins_inside"
        contract += " neighbour by_motion"
        assert set(words.REASONS) == set(contract.split())
        assert words.reasons(["of_next_year"]) == []

    @pytest.mark.parametrize("way", Hearing.Way.values)
    @pytest.mark.parametrize("verdict", Hearing.Verdict.values)
    def test_each_verdict_is_said_without_its_code(self, way: str, verdict: str) -> None:
        said = words.verdict(Hearing(way=way, verdict=verdict))
        assert said.endswith(".")
        if way == "sound" and verdict == "poor":
            assert "guess" in said

    @pytest.mark.parametrize(
        ("confidence", "said"),
        [
            (1, "sure"),
            (0.8, "sure"),
            (0.79, "fairly sure"),
            (0.5, "fairly sure"),
            (0.49, "a guess"),
            (0, "a guess"),
        ],
    )
    def test_how_sure(self, confidence: float, said: str) -> None:
        assert words.sure(confidence) == said

    @pytest.mark.parametrize(
        ("delay_s", "said"),
        [(0, "together"), (0.01, "together"), (0.25, "0.25 s later"), (-1, "1 s earlier")],
    )
    def test_delay(self, delay_s: float, said: str) -> None:
        assert said in words.delay(delay_s)

    def test_counts(self) -> None:
        assert words.count(42, 30, 12) == "42 rallies proposed, 30 of them sure; 12 accepted so far."
        assert words.count(1, 0, 0) == "1 rally proposed, 0 of them sure; 0 accepted so far."
        assert words.count(0, 0, 0) == "No rallies are proposed."

    @pytest.mark.parametrize(("at_s", "said"), [(0, "0:00.0"), (59.96, "1:00.0"), (3723.44, "1:02:03.4")])
    def test_tenths(self, at_s: float, said: str) -> None:
        assert words.tenths(at_s) == said


class TestApi:
    def get(self, chain: Any, film: Film, **query: Any) -> Any:
        return chain.cast.client(chain.cast.assistant).get(url("api:hearing", film.uuid), query)

    def test_what_was_heard(self, film: Film, chain: Any) -> None:
        hear(film, delay_s=0.25, reasons=["neighbour"])
        act(chain, film, f"accept:{rows(film)[0].pk}")
        told = self.get(chain, film).json()
        assert told["heard"]
        assert (told["verdict"], told["delay_s"], told["next_from_s"]) == ("good", 0.25, None)
        assert told["words"] == ["The sound is clear.", str(words.REASONS["neighbour"])]
        assert len(told["hits"]) == 11
        assert told["hits"][0] == {"t": 5.0, "kind": "racket", "confidence": 0.9}
        assert [row["sure"] for row in told["proposals"]] == ["sure", "fairly sure", "a guess"]
        assert told["proposals"][0]["rally"] == str(Rally.objects.get().uuid)

    def test_nobody_has_listened(self, film: Film, chain: Any) -> None:
        told = self.get(chain, film).json()
        assert not told["heard"]
        assert told["words"] == ["Nobody has listened to this film yet."]

    def test_a_long_film_comes_in_stretches_that_leave_nothing_out(self, film: Film, chain: Any) -> None:
        Film.objects.update(duration_s=36_000)
        hear(film, [(10.0 * k, 10.0 * k + 6, 0.9) for k in range(1200)])
        hits, proposals, from_s = [], [], 0.0
        for _round in range(20):
            told = self.get(chain, film, from_s=from_s).json()
            assert len(told["hits"]) <= 2000
            assert len(told["proposals"]) <= 500
            hits += told["hits"]
            proposals += told["proposals"]
            from_s = told["next_from_s"]
            if from_s is None:
                break
        assert len(hits) == 3602
        assert [row["id"] for row in proposals] == [row.pk for row in rows(film)]

    @pytest.mark.parametrize("from_s", ["x", "nan", "-1", "1e9"])
    def test_a_moment_that_is_none(self, film: Film, chain: Any, from_s: str) -> None:
        assert self.get(chain, film, from_s=from_s).status_code == 400


class TestFilmPage:
    def page(self, chain: Any, film: Film) -> str:
        return text_of(chain.cast.client(chain.cast.assistant).get(url("film", film.uuid)))

    def test_says_how_many_and_leads_there(self, film: Film, chain: Any) -> None:
        assert "Nobody has listened to this film yet." in self.page(chain, film)
        hear(film)
        assert "3 rallies proposed, 1 of them sure; 0 accepted so far." in self.page(chain, film)
        answer = chain.cast.client(chain.cast.assistant).get(url("film", film.uuid))
        assert url("listening", film.uuid) in answer.content.decode()


def test_the_way_back_is_worked_out_once(film: Film, chain: Any) -> None:
    hear(film)
    before = views._snapshot(film)
    assert views._way_back(film, before) == []
    with pytest.raises(ValidationError):
        services.set_delay(by=chain.cast.assistant, film=film, seconds=99)
