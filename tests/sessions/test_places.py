"""The page of places: zones of one half of the court, counted by what counts, for those who may see the analysis."""

import re
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.access import Role
from players.models import Check
from sessions.models import Film, Spot
from sessions.places import band_names, zone_of
from tests import factories as make
from tests.sessions.coding import Court, make_court
from tests.sessions.court_scene import make_film


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def film(court: Court) -> Film:
    return make_film(court.match)


def url(court: Court, query: str = "") -> str:
    return f"/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/places/{query}"


def stood(court: Court, film: Film, code: str, x: float, y: float, **fields: Any) -> Spot:
    """A place clicked for a check, in a situation of its own."""
    check = Check.objects.get(club=court.cast.club, code=code)
    number = fields.pop("number", 1)
    unit = fields.pop("unit", court.pair if check.unit == "pair" else court.ana)
    rally = court.match.rallies.first() or make.make_rally(court.match)
    situation = fields.pop("situation", None) or make.make_situation(
        court.analysis, rally, unit, check.area, **fields
    )
    place = {"x_m": x, "y_m": y, "var_x": 0.01, "cov_xy": 0.0, "var_y": 0.01}
    return Spot.objects.create(
        situation=situation, check_identity=check, number=number, film=film, at_s=24.0, u=0.5, v=0.5, **place
    )


def page(court: Court, query: str = "", person: Any = None) -> str:
    answer = court.cast.client(person or court.cast.assistant).get(url(court, query))
    assert answer.status_code == 200
    return answer.content.decode()


def plan(html: str) -> list[int]:
    """The nine numbers of the drawn plan, from the net back, left to right."""
    return [int(n) for n in re.findall(r'class="place-number"[^>]*>(\d+)<', html)]


def tables(html: str) -> list[list[list[int]]]:
    found = []
    for table in re.findall(r'<table class="sheet small places-table">.*?</table>', html, re.S):
        rows = re.findall(r'<th scope="row">.*?</tr>', table, re.S)
        found.append([[int(n) for n in re.findall(r'<td class="num">(\d+)</td>', row)] for row in rows])
    return found


@pytest.mark.parametrize(
    ("x", "y", "zone"),
    [
        (0.0, -1.0, (0, 1)),
        (-3.0, -1.0, (0, 0)),
        (3.0, -3.0, (0, 2)),
        (3.0, -3.01, (1, 2)),
        (1.6, -6.95, (1, 1)),
        (1.7, -7.0, (2, 2)),
        # Who plays at the far end looks the other way.
        (-3.0, 8.0, (2, 2)),
        (3.0, 2.0, (0, 0)),
        (0.2, 5.0, (1, 1)),
    ],
)
def test_zones_are_those_of_the_player_who_faces_the_net(x: float, y: float, zone: tuple[int, int]) -> None:
    assert zone_of(x, y) == zone


def test_the_words_of_bands_say_their_metres() -> None:
    assert band_names()[:2] == ["up to 3 m from the net", "from 3 m to the service line (6.95 m)"]


def test_nothing_was_clicked_yet(court: Court) -> None:
    html = page(court)
    assert "No place has been clicked for this yet" in html
    assert "place-number" not in html
    assert "places-table" not in html


def test_one_place_stands_in_its_zone_and_in_the_table(court: Court, film: Film) -> None:
    stood(court, film, "S2", -3.0, -4.1)
    html = page(court)
    assert "1 place, of situations that count." in html
    assert plan(html) == [0, 0, 0, 1, 0, 0, 0, 0, 0]
    assert tables(html) == [[[0, 0, 0], [1, 0, 0], [0, 0, 0]]]


def test_by_check_by_area_and_by_player(court: Court, film: Film) -> None:
    stood(court, film, "S2", 0.0, -4.0)
    stood(court, film, "S4", 0.0, -2.0)
    stood(court, film, "F5", 3.0, -8.0)
    first = stood(court, film, "N1", -3.0, -2.0)
    stood(court, film, "N1", 3.0, -2.0, number=2, situation=first.situation)
    assert plan(page(court)) == [1, 1, 1, 0, 1, 0, 0, 0, 1]
    assert plan(page(court, "?of=S2")) == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert plan(page(court, "?of=serve")) == [0, 1, 0, 0, 1, 0, 0, 0, 0]
    assert plan(page(court, f"?unit={court.pair.pk}")) == [1, 0, 1, 0, 0, 0, 0, 0, 0]
    assert plan(page(court, f"?of=serve&unit={court.pair.pk}")) == []
    html = page(court, "?of=S2")
    assert re.search(r'<option value="S2" selected>S2 Well inside</option>', html)
    assert '<option value="S1"' not in html, "no place decides it"


def test_the_opponents_places_are_shown_only_when_asked_for(court: Court, film: Film) -> None:
    stood(court, film, "L4", 0.0, 4.0)
    assert "No place has been clicked" in page(court)
    html = page(court, "?of=L4")
    assert plan(html) == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert "On the opponents' half" in html


def test_of_a_foot_that_was_clicked_twice_where_it_ended_counts(court: Court, film: Film) -> None:
    first = stood(court, film, "B3", 0.0, -8.0)
    stood(court, film, "B3", 0.0, -6.0, number=2, situation=first.situation)
    assert plan(page(court)) == [0, 0, 0, 0, 1, 0, 0, 0, 0]


def test_what_is_only_shown_stands_apart(court: Court, film: Film) -> None:
    stood(court, film, "S2", 0.0, -4.0)
    stood(court, film, "S2", 0.0, -8.0, shown_only=True)
    stood(court, film, "S2", 0.0, -8.0, dropped=True)
    stood(court, film, "S2", 0.0, -8.0, not_codable="blocked_view")
    html = page(court)
    assert plan(html) == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert tables(html) == [[[0, 0, 0], [0, 1, 0], [0, 0, 0]], [[0, 0, 0], [0, 0, 0], [0, 1, 0]]]
    assert "1 place of a situation that is only shown stands apart." in html


def test_in_a_drawn_plan_what_was_not_drawn_is_left_out(court: Court, film: Film) -> None:
    court.analysis.plan = "drawn"
    court.analysis.save(update_fields=["plan"])
    stood(court, film, "S2", 0.0, -4.0, drawn=True)
    stood(court, film, "S2", 0.0, -8.0)
    html = page(court)
    assert plan(html) == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert "1 place, of drawn situations only." in html
    assert "1 place of a situation that was not drawn is left out." in html


def test_of_chosen_situations_the_plan_says_that_they_are_only_shown(court: Court, film: Film) -> None:
    court.analysis.plan = "chosen"
    court.analysis.save(update_fields=["plan"])
    stood(court, film, "S2", 0.0, -4.0)
    html = page(court)
    assert plan(html) == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    assert "they say nothing of how often" in html
    assert len(tables(html)) == 1


@pytest.mark.parametrize("query", ["?of=X9", "?of=S1", "?unit=0", "?unit=abc", "?of=%00"])
def test_a_choice_that_is_none_is_said(court: Court, film: Film, query: str) -> None:
    stood(court, film, "S2", 0.0, -4.0)
    html = page(court, query)
    assert "Everything is shown." in html
    assert plan(html) == [0, 0, 0, 0, 1, 0, 0, 0, 0]


def test_an_analysis_without_such_checks_says_so(court: Court) -> None:
    Check.objects.filter(club=court.cast.club).update(retired_on="2026-01-01")
    assert "No check of this analysis is decided by a place" in page(court)


def test_it_is_linked_from_the_analysis(court: Court) -> None:
    answer = court.cast.client(court.cast.assistant).get(url(court).replace("places/", ""))
    assert f'href="{url(court)}"' in answer.content.decode()


def test_who_may_see_it(cast: Any, court: Court, film: Film) -> None:
    stood(court, film, "S2", 0.0, -4.0)
    other = make.make_member(cast.club, Role.ASSISTANT)
    expected = {
        cast.head_coach: 200,
        cast.assistant: 200,
        cast.manager: 403,
        cast.student: 403,
        cast.guardian: 403,
        cast.stranger: 404,
        other: 404,
    }
    found = {person: cast.client(person).get(url(court)).status_code for person in expected}
    assert found == expected
    assert cast.client(None).get(url(court)).status_code == 302
    assert cast.client(cast.assistant).post(url(court)).status_code == 405


def test_queries_are_flat(court: Court, film: Film) -> None:
    client = court.cast.client(court.cast.head_coach)

    def count() -> int:
        client.get(url(court))
        with CaptureQueriesContext(connection) as told:
            client.get(url(court))
        return len(told)

    bare = count()
    spot = stood(court, film, "S2", 0.0, -4.0)
    one = count()
    situations = [
        make.Situation(
            uuid=uuid4(),
            analysis=court.analysis,
            rally=spot.situation.rally,
            unit=court.ana,
            area=spot.situation.area,
            hit_s=23.0,
            end="near",
        )
        for _ in range(499)
    ]
    rows = make.Situation.objects.bulk_create(situations)
    values = {
        name: getattr(spot, name) for name in ("check_identity", "film", "at_s", "u", "v", "x_m", "y_m")
    }
    Spot.objects.bulk_create(Spot(situation=row, var_x=0.01, cov_xy=0, var_y=0.01, **values) for row in rows)
    assert count() == one <= bare
    html = page(court)
    assert plan(html)[4] == 500
    assert len(html) < 30_000
