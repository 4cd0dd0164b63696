"""What a coach does with what was heard: which rallies the match has then, what is refused, and in which words."""

import math
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clubcoach.models import AuditEvent, Job
from players.models import FilmConsent
from sessions import listening, services
from sessions.models import Closure, Film, Hearing, MatchFilm, Rally, RallyEdit, RallyProposal
from sessions.services import film_care
from tests import factories as make
from tests.sessions.court_scene import make_film
from tests.sessions.moving import agree

pytestmark = pytest.mark.django_db


@pytest.fixture
def film(chain: Any) -> Film:
    """Ten minutes of film; the match's own two rallies are at 20 to 30 and 40 to 50 s."""
    agree(chain.match)
    return make_film(chain.match, duration_s=600.0, audio_codec="opus")


@pytest.fixture
def by(chain: Any) -> Any:
    return chain.cast.assistant


def hear(film: Film, *spans: Any, way: str = "sound", **fields: Any) -> list[RallyProposal]:
    hearing = Hearing.objects.get_or_create(film=film, defaults={"way": way, "verdict": "good", **fields})[0]
    return [
        RallyProposal.objects.create(hearing=hearing, start_s=start, end_s=end, confidence=0.8)
        for start, end in spans
    ]


def line(match: Any) -> list[tuple[int, float, float | None]]:
    kept = match.rallies.filter(dropped=False)
    return list(kept.values_list("number", "start_s", "end_s"))


def states(film: Film) -> list[str]:
    return list(RallyProposal.objects.filter(hearing__film=film).values_list("state", flat=True))


def actions() -> list[str]:
    return list(
        AuditEvent.objects.filter(action__startswith="hearing.")
        .order_by("pk")
        .values_list("action", flat=True)
    )


class TestAccept:
    def test_rallies_take_their_numbers_in_the_order_of_time(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9), (32, 36), (100, 110))
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=reversed(rows))
        assert [rally.number for rally in done.rallies] == [1, 3, 5]
        assert done.skipped == []
        assert line(chain.match) == [(1, 5, 9), (2, 20, 30), (3, 32, 36), (4, 40, 50), (5, 100, 110)]
        assert states(film) == ["accepted"] * 3
        rows[0].refresh_from_db()
        assert (rows[0].rally, rows[0].decided_by) == (done.rallies[0], by)
        assert rows[0].decided_at is not None
        fresh = Rally.objects.get(pk=done.rallies[0].pk)
        assert (fresh.winner, fresh.server, fresh.timed, fresh.rev) == ("", None, True, 1)
        edit = RallyEdit.objects.get(rally=fresh)
        assert (edit.by, edit.before, edit.after["start_s"]) == (by, {}, 5)
        assert actions() == ["hearing.accepted"]

    def test_numbers_that_leave_room_are_not_moved(self, chain: Any, film: Film, by: Any) -> None:
        chain.match.rallies.filter(number=2).update(number=9)
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=hear(film, (32, 36)))
        assert [number for number, *_rest in line(chain.match)] == [1, 2, 9]

    def test_the_first_ones_of_a_match(self, chain: Any, film: Film, by: Any) -> None:
        Rally.objects.all().delete()
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=hear(film, (5, 9), (20, 25)))
        assert [number for number, *_rest in line(chain.match)] == [1, 2]

    def test_times_follow_from_delay_and_offset(self, chain: Any, film: Film, by: Any) -> None:
        MatchFilm.objects.update(offset_s=100.0)
        rows = hear(film, (5, 9), delay_s=0.25)
        (rally,) = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies
        assert (rally.start_s, rally.end_s) == (104.75, 108.75)

    def test_a_single_hit_has_some_length(self, chain: Any, film: Film, by: Any) -> None:
        (rally,) = services.accept_rallies(
            by=by, film=film, match=chain.match, proposals=hear(film, (5, 5))
        ).rallies
        assert (rally.start_s, rally.end_s) == (5, 5.5)

    def test_what_lies_over_a_rally_is_passed_over_and_named(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (15, 20), (15.5, 20.5), (22, 25), (29, 35), (30, 33), (32, 34))
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        assert [(rally.start_s, rally.end_s) for rally in done.rallies] == [(15, 20), (30, 33)]
        assert [one.proposal.start_s for one in done.skipped] == [15.5, 22, 29, 32]
        assert done.skipped[1].why == "Rally 2 of the match is there already, from 0:20 on."
        assert states(film) == ["accepted", "open", "open", "open", "accepted", "open"]

    def test_a_rally_whose_end_nobody_said_is_in_the_way_where_it_begins(
        self, chain: Any, film: Film, by: Any
    ) -> None:
        chain.match.rallies.filter(number=2).update(end_s=None)
        rows = hear(film, (38, 42), (43, 45))
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        assert [one.proposal.start_s for one in done.skipped] == [38]

    def test_twice_gives_one_rally(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        assert (done.rallies, [one.why for one in done.skipped]) == ([], ["It was accepted already."])
        assert len(line(chain.match)) == 3
        assert actions() == ["hearing.accepted"]

    def test_one_whose_rally_was_removed_since_can_be_accepted_anew(
        self, chain: Any, film: Film, by: Any
    ) -> None:
        rows = hear(film, (5, 9))
        (old,) = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies
        Rally.objects.filter(pk=old.pk).update(dropped=True)
        (new,) = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies
        assert new.pk != old.pk

    def test_each_match_of_a_film_has_its_part(self, chain: Any, film: Film, by: Any) -> None:
        second = make.make_match(chain.cast.club, [chain.cast.ana, None, None, None])
        MatchFilm.objects.create(match=second, film=film, offset_s=-300.0)
        MatchFilm.objects.filter(match=chain.match).update(offset_s=-10.0)
        rows = hear(film, (5, 8), (70, 75), (400, 405))
        done = services.accept_rallies(by=by, film=film, match=second, proposals=rows)
        assert [(rally.start_s, rally.number) for rally in done.rallies] == [(100, 1)]
        assert [one.why for one in done.skipped] == ["It lies before the match begins."] * 2
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        assert [rally.start_s for rally in done.rallies] == [60]
        assert [one.why for one in done.skipped] == [
            "It lies before the match begins.",
            "It was accepted already.",
        ]
        RallyProposal.objects.update(state="open", rally=None)
        done = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows[2:])
        assert [one.why for one in done.skipped] == [
            "It lies in the part of the film that shows another match."
        ]

    def test_a_match_from_a_sheet_without_times_is_refused(self, chain: Any, film: Film, by: Any) -> None:
        chain.match.rallies.filter(number=1).update(timed=False)
        with pytest.raises(ValidationError, match="sheet without times"):
            services.accept_rallies(by=by, film=film, match=chain.match, proposals=hear(film, (5, 9)))
        assert states(film) == ["open"]

    def test_another_matchs_and_another_films(self, chain: Any, film: Film, by: Any) -> None:
        other = make.make_match(chain.cast.club)
        rows = hear(film, (5, 9))
        with pytest.raises(ValidationError, match="does not show this match"):
            services.accept_rallies(by=by, film=film, match=other, proposals=rows)
        agree(other)
        second = make_film(other, digest="f" * 64)
        theirs = hear(second, (5, 9))
        with pytest.raises(ValidationError, match="listened to anew"):
            services.accept_rallies(by=by, film=film, match=chain.match, proposals=[*rows, *theirs])
        assert states(film) == ["open"]
        with pytest.raises(ValidationError, match="Choose a rally first"):
            services.accept_rallies(by=by, film=film, match=chain.match, proposals=[])


class TestReopen:
    def test_the_rally_goes_and_the_numbers_close(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9), (32, 36))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        services.reopen_rallies(by=by, film=film, proposals=rows[:1])
        assert line(chain.match) == [(1, 20, 30), (2, 32, 36), (3, 40, 50)]
        gone = Rally.objects.get(dropped=True)
        assert (gone.start_s, gone.rev) == (5, 2)
        assert RallyEdit.objects.filter(rally=gone).last().after == {"dropped": True}  # type: ignore[union-attr]
        rows[0].refresh_from_db()
        assert (rows[0].state, rows[0].rally, rows[0].decided_by) == ("open", None, None)

    @pytest.mark.parametrize("what", ["situation", "closure", "winner", "server", "score"])
    def test_what_somebody_has_built_on_stays(self, chain: Any, film: Film, by: Any, what: str) -> None:
        rows = hear(film, (5, 9), (32, 36))
        rally = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies[1]
        if what == "situation":
            make.make_situation(chain.analysis, rally, chain.unit, chain.area("lob"))
        elif what == "closure":
            Closure.objects.create(analysis=chain.analysis, rally=rally, area=chain.area("lob"))
        else:
            fields = {"winner": {"winner": "A"}, "server": {"server": 2}, "score": {"score_set": {"x": 1}}}
            Rally.objects.filter(pk=rally.pk).update(**fields[what])
        with pytest.raises(ValidationError, match=r"noted something in rally 3 \(0:32\) already"):
            services.reopen_rallies(by=by, film=film, proposals=rows)
        assert states(film) == ["accepted", "accepted"]
        assert len(line(chain.match)) == 4

    def test_a_situation_that_was_removed_does_not_hold_it(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9))
        (rally,) = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies
        make.make_situation(chain.analysis, rally, chain.unit, chain.area("lob"), dropped=True)
        services.reopen_rallies(by=by, film=film, proposals=rows)
        assert states(film) == ["open"]

    def test_dismissed_and_back(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9), (60, 65))
        services.dismiss_rallies(by=by, film=film, proposals=rows[:1])
        assert states(film) == ["dismissed", "open"]
        services.reopen_rallies(by=by, film=film, proposals=rows[:1])
        assert states(film) == ["open", "open"]
        assert actions() == ["hearing.dismissed", "hearing.reopened"]

    def test_what_is_a_rally_is_not_dismissed(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9), (60, 65))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows[:1])
        with pytest.raises(ValidationError, match="Open it again"):
            services.dismiss_rallies(by=by, film=film, proposals=rows)
        assert states(film) == ["accepted", "open"]


class TestCorrect:
    def test_what_was_heard_is_remembered_once(self, chain: Any, film: Film, by: Any) -> None:
        (row,) = hear(film, (5, 9))
        services.correct_rally(by=by, proposal=row, start_s=4.5, end_s=9.5)
        row = services.correct_rally(by=by, proposal=row, start_s=4.25, end_s=9.75)
        row.refresh_from_db()
        assert (row.start_s, row.end_s, row.heard_start_s, row.heard_end_s) == (4.25, 9.75, 5, 9)
        assert (row.state, row.decided_by) == ("open", by)

    def test_an_accepted_one_moves_in_its_match(self, chain: Any, film: Film, by: Any) -> None:
        MatchFilm.objects.update(offset_s=100.0)
        (row,) = hear(film, (5, 9), delay_s=0.5)
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=[row])
        services.correct_rally(by=by, proposal=row, start_s=6, end_s=12)
        rally = Rally.objects.get(proposals=row)
        assert (rally.start_s, rally.end_s, rally.rev) == (105.5, 111.5, 2)
        assert RallyEdit.objects.filter(rally=rally).last().before == {"start_s": 104.5, "end_s": 108.5}  # type: ignore[union-attr]

    @pytest.mark.parametrize(
        ("start_s", "end_s", "sentence"),
        [
            (-1, 5, "lasts from 0:00 to 10:00"),
            (5, 601, "lasts from 0:00 to 10:00"),
            (math.nan, 5, "lasts from 0:00 to 10:00"),
            ("5", 9, "lasts from 0:00 to 10:00"),
            (True, 9, "lasts from 0:00 to 10:00"),
            (9, 9, "ends after it starts"),
            (9, 5, "ends after it starts"),
            (5, 61, "over another rally, which begins at 1:00"),
        ],
    )
    def test_times_that_cannot_be(
        self, chain: Any, film: Film, by: Any, start_s: Any, end_s: Any, sentence: str
    ) -> None:
        row, _other = hear(film, (5, 9), (60, 65))
        with pytest.raises(ValidationError, match=sentence):
            services.correct_rally(by=by, proposal=row, start_s=start_s, end_s=end_s)
        RallyProposal.objects.filter(pk=row.pk).update(state="dismissed")
        with pytest.raises(ValidationError, match=sentence):
            services.add_rally_by_hand(by=by, film=film, start_s=start_s, end_s=end_s)
        row.refresh_from_db()
        assert (row.start_s, row.end_s) == (5, 9)

    def test_not_over_a_rally_of_the_match_nor_past_one(self, chain: Any, film: Film, by: Any) -> None:
        (row,) = hear(film, (5, 9))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=[row])
        for times in ((5, 25), (33, 35)):
            with pytest.raises(ValidationError, match="over rally 2 of the match, which begins at 0:20"):
                services.correct_rally(by=by, proposal=row, start_s=times[0], end_s=times[1])
        assert line(chain.match)[0] == (1, 5, 9)

    def test_no_situation_comes_to_lie_outside(self, chain: Any, film: Film, by: Any) -> None:
        (row,) = hear(film, (5, 9))
        (rally,) = services.accept_rallies(by=by, film=film, match=chain.match, proposals=[row]).rallies
        make.make_situation(chain.analysis, rally, chain.unit, chain.area("lob"), hit_s=8.5)
        with pytest.raises(ValidationError, match="would lie outside"):
            services.correct_rally(by=by, proposal=row, start_s=5, end_s=8)
        services.correct_rally(by=by, proposal=row, start_s=5, end_s=8.75)
        assert line(chain.match)[0] == (1, 5, 8.75)

    def test_not_what_was_dismissed(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9))
        services.dismiss_rallies(by=by, film=film, proposals=rows)
        with pytest.raises(ValidationError, match="was dismissed"):
            services.correct_rally(by=by, proposal=rows[0], start_s=5, end_s=8)

    def test_by_hand_where_nobody_has_listened(self, chain: Any, film: Film, by: Any) -> None:
        row = services.add_rally_by_hand(by=by, film=film, start_s=60.12345, end_s=70)
        hearing = Hearing.objects.get()
        assert (hearing.way, hearing.verdict, hearing.reasons) == ("hand", "useless", [])
        assert (row.start_s, row.by_hand, row.state, row.confidence) == (60.123, True, "open", 1)
        assert services.accept_rallies(by=by, film=film, match=chain.match, proposals=[row]).rallies

    def test_by_hand_in_a_film_on_a_coachs_disk(self, chain: Any, film: Film, by: Any) -> None:
        Film.objects.update(state="away", slices="a" * 64, file="", digest="")
        film.refresh_from_db()
        assert services.add_rally_by_hand(by=by, film=film, start_s=60, end_s=70).pk


class TestDelay:
    def test_accepted_rallies_move_with_it(self, chain: Any, film: Film, by: Any) -> None:
        rows = hear(film, (5, 9), (60, 65))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        done = services.set_delay(by=by, film=film, seconds=0.25)
        assert (done.hearing.delay_s, done.stayed) == (0.25, [])
        assert [rally.start_s for rally in done.moved] == [4.75, 59.75]
        assert [start for _n, start, _end in line(chain.match)] == [4.75, 20, 40, 59.75]
        services.set_delay(by=by, film=film, seconds=-0.5)
        assert [start for _n, start, _end in line(chain.match)] == [5.5, 20, 40, 60.5]
        assert actions()[-1] == "hearing.delay"

    @pytest.mark.parametrize("what", ["winner", "situation", "times", "place", "begin"])
    def test_others_stay_and_are_named(self, chain: Any, film: Film, by: Any, what: str) -> None:
        first = (0.1, 9) if what == "begin" else (5, 19.9) if what == "place" else (5, 9)
        rows = hear(film, first, (60, 65))
        rally = services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows).rallies[0]
        if what == "situation":
            make.make_situation(chain.analysis, rally, chain.unit, chain.area("lob"))
        if what in ("winner", "times"):
            fields = {"winner": {"winner": "B"}, "times": {"end_s": 9.5}}
            Rally.objects.filter(pk=rally.pk).update(**fields[what])
        done = services.set_delay(by=by, film=film, seconds=-0.25 if what == "place" else 0.25)
        assert [row.pk for row in done.stayed] == [rally.pk]
        assert [row.start_s for row in done.moved] == [60.25 if what == "place" else 59.75]
        rally.refresh_from_db()
        assert rally.start_s == first[0]

    def test_neighbours_that_move_together_do_not_stop_each_other(
        self, chain: Any, film: Film, by: Any
    ) -> None:
        rows = hear(film, (60, 65), (65, 70), (70, 75))
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=rows)
        assert len(services.set_delay(by=by, film=film, seconds=3).moved) == 3
        # The last one stays, and so does each that would come to lie over it.
        Rally.objects.filter(start_s=67).update(winner="A")
        done = services.set_delay(by=by, film=film, seconds=2)
        assert (len(done.moved), len(done.stayed)) == (0, 3)

    @pytest.mark.parametrize("seconds", [5.01, -6, math.nan, "1", None])
    def test_more_than_a_few_seconds_are_none(self, film: Film, by: Any, seconds: Any) -> None:
        hear(film, (5, 9))
        with pytest.raises(ValidationError, match="Say the delay in seconds, from −5 to 5"):
            services.set_delay(by=by, film=film, seconds=seconds)

    def test_only_of_what_was_heard(self, film: Film, by: Any) -> None:
        with pytest.raises(ValidationError, match="Nobody has listened"):
            services.set_delay(by=by, film=film, seconds=0.1)
        hear(film, (5, 9), way="motion")
        with pytest.raises(ValidationError, match="found by movement"):
            services.set_delay(by=by, film=film, seconds=0.1)


class TestAsk:
    def test_a_job_and_only_one(self, film: Film, by: Any) -> None:
        job = services.ask_to_listen(by=by, film=film)
        assert (job.kind, job.args, job.asked_by) == ("film.listen", {"film": film.pk, "way": "sound"}, by)
        assert listening.job_of(film) == job
        with pytest.raises(ValidationError, match="listened to already"):
            services.ask_to_listen(by=by, film=film, way="motion")
        Job.objects.update(state="failed")
        assert services.ask_to_listen(by=by, film=film, way="motion").args["way"] == "motion"

    def test_ways_that_are_none(self, film: Film, by: Any) -> None:
        with pytest.raises(ValidationError, match="listened to, or looked through"):
            services.ask_to_listen(by=by, film=film, way="hand")
        Film.objects.update(audio_codec="")
        film.refresh_from_db()
        hear(film, verdict="useless", reasons=["no_sound"])
        with pytest.raises(ValidationError, match="has no sound"):
            services.ask_to_listen(by=by, film=film)
        Film.objects.update(state="making")
        with pytest.raises(ValidationError, match="being made playable"):
            services.ask_to_listen(by=by, film=film, way="motion")


class TestWho:
    def acts(self, film: Film, match: Any, person: Any) -> list[Any]:
        rows = list(RallyProposal.objects.all())
        return [
            lambda: services.ask_to_listen(by=person, film=film),
            lambda: services.set_delay(by=person, film=film, seconds=0.1),
            lambda: services.correct_rally(by=person, proposal=rows[0], start_s=5, end_s=8),
            lambda: services.add_rally_by_hand(by=person, film=film, start_s=80, end_s=85),
            lambda: services.accept_rallies(by=person, film=film, match=match, proposals=rows[:1]),
            lambda: services.reopen_rallies(by=person, film=film, proposals=rows[:1]),
            lambda: services.dismiss_rallies(by=person, film=film, proposals=rows[:1]),
        ]

    @pytest.mark.parametrize("who", ["head_coach", "assistant"])
    def test_coaches_may(self, chain: Any, film: Film, who: str) -> None:
        hear(film, (5, 9))
        for act in self.acts(film, chain.match, getattr(chain.cast, who)):
            act()
        assert states(film) == ["dismissed", "open"]

    @pytest.mark.parametrize("who", ["manager", "student", "guardian", "stranger"])
    def test_nobody_else(self, chain: Any, film: Film, who: str) -> None:
        hear(film, (5, 9))
        for act in self.acts(film, chain.match, getattr(chain.cast, who)):
            with pytest.raises(PermissionDenied):
                act()
        assert states(film) == ["open"]
        assert not AuditEvent.objects.filter(action__startswith="hearing.").exists()

    def test_nobody_without_consent(self, chain: Any, film: Film, by: Any) -> None:
        hear(film, (5, 9))
        FilmConsent.objects.all().delete()
        for act in self.acts(film, chain.match, by):
            with pytest.raises(PermissionDenied, match="consent"):
                act()

    def test_nobody_in_a_film_that_is_gone(self, chain: Any, film: Film, by: Any) -> None:
        hear(film, (5, 9))
        services.remove_film(by=chain.cast.head_coach, film=film, although_open=True)
        for act in self.acts(film, chain.match, by):
            with pytest.raises(ValidationError, match="is deleted"):
                act()


class TestGone:
    @pytest.mark.parametrize(("why", "left"), [("consent", 0), ("rule", 1), ("hand", 1)])
    def test_what_was_heard_goes_with_a_consent_and_the_rallies_stay(
        self, chain: Any, film: Film, by: Any, why: str, left: int
    ) -> None:
        services.accept_rallies(by=by, film=film, match=chain.match, proposals=hear(film, (5, 9)))
        film_care.end_film(by=None, film=film, why=why, now=timezone.now())
        assert Hearing.objects.count() == RallyProposal.objects.count() == left
        assert len(line(chain.match)) == 3


class TestByGame:
    def names(self, film: Film, match: Any) -> list[tuple[str, list[float]]]:
        groups = listening.by_game(film, match)
        return [(group.name, [row.start_s for row in group.proposals]) for group in groups]

    def test_parts_between_long_pauses(self, chain: Any, film: Film) -> None:
        Rally.objects.update(winner="")
        hear(film, (5, 9), (48, 50), (90, 100), (139.9, 150))
        assert self.names(film, chain.match) == [
            ("Part 1", [5, 48]),
            ("Part 2", [90, 139.9]),
        ]

    def test_games_where_winners_say_so(self, chain: Any, film: Film) -> None:
        Rally.objects.all().delete()
        # Four points a game, ten seconds each; the second game is not over.
        for n in range(6):
            make.make_rally(chain.match, n + 1, start_s=100.0 + 20 * n, end_s=110.0 + 20 * n, winner="A")
        hear(film, (5, 9), (101, 108), (171, 175), (185, 189), (201, 209), (230, 240), (300, 305))
        assert self.names(film, chain.match) == [
            ("Part 1", [5]),
            ("Set 1, game 1", [101, 171]),
            ("Set 1, game 2", [185, 201]),
            ("Part 2", [230]),
            ("Part 3", [300]),
        ]

    def test_delay_and_offset_count(self, chain: Any, film: Film) -> None:
        MatchFilm.objects.update(offset_s=10.0)
        hear(film, (10.5, 15), (9.0, 10), delay_s=0.25)
        assert self.names(film, chain.match) == [("Part 1", [9.0]), ("Set 1, game 1", [10.5])]

    def test_rallies_without_times_and_matches_without_games_say_nothing(
        self, chain: Any, film: Film
    ) -> None:
        hear(film, (25, 28))
        assert self.names(film, chain.match) == [("Set 1, game 1", [25])]
        Rally.objects.update(timed=False)
        assert self.names(film, chain.match) == [("Part 1", [25])]
        Rally.objects.update(timed=True)
        chain.match.format = {"kind": "free"}
        chain.match.save()
        fresh = type(chain.match).objects.get(pk=chain.match.pk)
        assert self.names(film, fresh) == [("Part 1", [25])]

    def test_each_match_shows_its_own(self, chain: Any, film: Film) -> None:
        second = make.make_match(chain.cast.club)
        MatchFilm.objects.create(match=second, film=film, offset_s=-300.0)
        hear(film, (5, 9), (299, 302), (300, 305))
        assert self.names(film, second) == [("Part 1", [300])]
        assert [start for _name, rows in self.names(film, chain.match) for start in rows] == [5, 299]
        assert self.names(film, make.make_match(chain.cast.club)) == []

    def test_nothing_heard(self, chain: Any, film: Film) -> None:
        assert listening.by_game(film, chain.match) == []
        hear(film)
        assert listening.by_game(film, chain.match) == []


class TestMany:
    def counts(self, chain: Any, film: Film, n: int) -> list[int]:
        """Queries of each act on so many proposals."""
        by, match = chain.cast.assistant, chain.match
        hearing = Hearing.objects.get_or_create(film=film, defaults={"verdict": "good"})[0]
        rows = RallyProposal.objects.bulk_create(
            RallyProposal(hearing=hearing, start_s=100 + 20 * k, end_s=110 + 20 * k) for k in range(n)
        )
        counted = []
        for act in (
            lambda: listening.by_game(film, match),
            lambda: services.accept_rallies(by=by, film=film, match=match, proposals=rows),
            lambda: services.set_delay(by=by, film=film, seconds=0.1 + n / 1000),
            lambda: services.reopen_rallies(by=by, film=film, proposals=rows),
            lambda: services.dismiss_rallies(by=by, film=film, proposals=rows),
        ):
            with CaptureQueriesContext(connection) as seen:
                act()
            counted.append(len(seen))
        assert states(film) == ["dismissed"] * n
        assert len(line(match)) == 2
        return counted

    def test_queries_stay_the_same(self, chain: Any, film: Film) -> None:
        Film.objects.update(duration_s=20_000)
        film.refresh_from_db()
        one = self.counts(chain, film, 1)
        RallyProposal.objects.all().delete()
        many = self.counts(chain, film, 500)
        assert one[0] == many[0]
        # Rows are written some hundred at a time, which is all that may be more.
        assert all(there <= here + 12 for here, there in zip(one, many, strict=True)), (one, many)
