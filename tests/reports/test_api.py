"""Scores, focus points and homework through JSON: scoped as the pages are, tenths for students."""

import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clubcoach.models import ApiToken
from players.models import Unit
from reports.models import FocusPoint, Homework, HomeworkLog, Score
from tests import factories as make

pytestmark = pytest.mark.django_db
ROOT = "/c/seaside/api/v1/"


def get(cast, person, path):
    return cast.client(person).get(ROOT + path)


def test_coaches_read_scores_and_students_their_own_in_tenths(cast, world):
    rows = get(cast, cast.assistant, "scores/?series=now&area=feet").json()["results"]
    assert [(row["score"], row["low"], row["high"], row["n"]) for row in rows] == [(40.0, 30.0, 50.0, 30)]
    assert rows[0]["unit"] == {"kind": "player", "players": [str(cast.ana.uuid)]}
    (own,) = get(cast, cast.student, "scores/?series=now").json()["results"]
    assert {name: own[name] for name in ("about", "low", "high", "n")} == {
        "about": 4,
        "low": 3,
        "high": 5,
        "n": 30,
    }
    assert not {"score", "better_than_first"} & own.keys()
    assert get(cast, cast.guardian, f"scores/?player={cast.ana.uuid}").json()["results"] == []
    assert get(cast, cast.manager, "scores/").status_code == 403
    assert get(cast, cast.stranger, "scores/").status_code == 404


@pytest.mark.parametrize(
    ("days", "half", "n", "enough", "about_more"),
    [
        ([10, 40], 5.0, 40, True, 0),
        ([40, 40], 5.0, 40, False, 1),
        ([4, 12], 5.0, 12, False, 3),
        ([10, 40], 25.0, 40, False, 120),
    ],
)
def test_a_score_says_whether_it_is_enough_and_what_is_missing(
    cast, world, days, half, n, enough, about_more
):
    """Two days on which something new was seen, 15 checks, and an interval under 25 points."""
    fit, unit = Score.objects.first().fit, cast.club.units.get(first=cast.ana, kind="player")
    lob = cast.club.areas.get(code="lob")
    for number, seen in enumerate(days, 1):
        row = {"score": 50, "low": 50 - half, "high": 50 + half, "n": seen, "day": f"2026-09-0{number}"}
        Score.objects.create(club=cast.club, unit=unit, area=lob, series="now", fit=fit, **row)
    for person in (cast.assistant, cast.student):
        first, last = get(cast, person, "scores/?area=lob&series=now").json()["results"]
        assert (last["n"], last["enough"], last["about_more"]) == (n, enough, about_more)
        # The first day knew only itself.
        assert first["enough"] is False
        assert first["about_more"] >= 1


@pytest.mark.parametrize(
    ("query", "found"),
    [("player={ana}", 2), ("player={dan}", 0), ("area=lob", 0), ("since=2027-01-01", 0), ("series=then", 1)],
)
def test_scores_are_filtered(cast, world, query, found):
    query = query.format(ana=cast.ana.uuid, dan=cast.dan.uuid)
    assert get(cast, cast.assistant, f"scores/?{query}").json()["count"] == found


def test_a_student_reads_tenths_and_only_her_own(cast, world):
    (point,) = get(cast, cast.student, "focus/").json()["results"]
    assert point["seen_then"] == {"about": 3, "low": 1, "high": 4, "n": 20}
    assert (point["check_code"], point["cue"]) == ("F1", "cue seaside")
    assert "score" not in point
    assert get(cast, cast.guardian, "focus/").json()["results"] == []
    FocusPoint.objects.update(state="dropped")
    assert get(cast, cast.student, "focus/").json()["results"] == []
    assert get(cast, cast.head_coach, "focus/").json()["count"] == 1


def test_a_pair_s_scores_are_both_players_and_a_minor_has_one_point(cast, world):
    pair = Unit.objects.pair_of(cast.ben, cast.ana)
    unit = cast.club.units.get(first=cast.ben, kind="player")
    score = Score.objects.filter(series="now").first()
    score.pk, score.unit = None, pair
    score.save()
    for row, code in ((unit, "F1"), (unit, "L2"), (pair, "N1")):
        check = cast.club.checks.get(code=code)
        FocusPoint.objects.create(
            unit=row, check_identity=check, seen=9, met=1, low=0, high=1, standard=1, started_on="2026-09-01"
        )
    assert get(cast, cast.guardian, "scores/").json()["count"] == 1
    assert [row["check_code"] for row in get(cast, cast.guardian, "focus/").json()["results"]] == ["F1"]
    assert {row["check_code"] for row in get(cast, cast.student, "focus/").json()["results"]} == {"F1", "N1"}


def log(cast, person, homework, **body):
    sent = {"uuid": str(uuid.uuid4()), "done_on": str(cast.club.today()), "good": 7, "tried": 10, **body}
    return cast.client(person).post(
        f"{ROOT}homework/{homework}/logs/", data=sent, content_type="application/json"
    )


def test_homework_is_logged_once_however_often_it_is_sent(cast, world):
    HomeworkLog.objects.all().delete()
    (row,) = get(cast, cast.student, "homework/").json()["results"]
    mine = str(uuid.uuid4())
    for _ in range(2):
        assert log(cast, cast.student, row["uuid"], uuid=mine, felt="easy").status_code == 201
    entry = HomeworkLog.objects.get()
    assert (entry.good, entry.tried, entry.felt, entry.logged_by) == (7, 10, "easy", cast.student)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"good": 11}, "good"),
        ({"tried": 0, "good": 0}, "tried"),
        ({"done_on": "2999-01-01"}, "done_on"),
        ({"done_on": "soon"}, "done_on"),
        ({"felt": "awful"}, "felt"),
        ({"uuid": "no"}, "uuid"),
    ],
)
def test_a_wrong_log_is_refused_at_its_field(cast, world, body, field):
    before = HomeworkLog.objects.count()
    answer = log(cast, cast.student, world["homework"], **body)
    assert answer.status_code == 400
    assert field in answer.json()
    assert HomeworkLog.objects.count() == before


def test_nobody_logs_for_somebody_else(cast, world):
    assert log(cast, cast.guardian, world["homework"]).status_code == 404
    assert log(cast, cast.assistant, world["homework"]).status_code == 403
    assert log(cast, cast.all_in_one, world["homework"]).status_code == 403
    assert log(cast, cast.stranger, world["homework"]).status_code == 404
    assert log(cast, None, world["homework"]).status_code == 401


def test_a_token_opens_what_its_owner_may_open_until_it_ends(cast, world):
    token, secret = ApiToken.issue(user=cast.assistant, name="spreadsheet")
    headers = {"Authorization": f"Token {secret}"}
    client = cast.client(None)
    assert client.get(f"{ROOT}scores/", headers=headers).status_code == 200
    assert client.get("/c/hilltop/api/v1/scores/", headers=headers).status_code == 404
    token.refresh_from_db()
    assert token.last_used_at is not None
    assert secret not in token.digest
    token.expires_at = timezone.now() - timedelta(seconds=1)
    token.save(update_fields=["expires_at"])
    answer = client.get(f"{ROOT}scores/", headers=headers)
    assert answer.status_code == 401
    assert "expired" in answer.json()["detail"]
    assert client.get(f"{ROOT}scores/", headers={"Authorization": "Token a b"}).status_code == 401


def test_queries_do_not_grow_with_the_rows(cast, world):
    client = cast.client(cast.assistant)
    fit = Score.objects.first().fit

    def queries(path):
        with CaptureQueriesContext(connection) as caught:
            assert client.get(ROOT + path).status_code == 200
        return len(caught)

    before = {path: queries(path) for path in ("scores/", "focus/", "homework/")}
    area, check = cast.club.areas.get(code="lob"), cast.club.checks.get(code="F2")
    for n in range(60):
        player = make.make_player(cast.club, f"P{n}")
        unit = cast.club.units.get(first=player)
        Score.objects.create(
            club=cast.club,
            unit=unit,
            area=area,
            series="now",
            day="2026-09-01",
            score=1,
            low=1,
            high=1,
            n=1,
            fit=fit,
        )
        FocusPoint.objects.create(
            unit=unit, check_identity=check, seen=1, met=0, low=0, high=1, standard=1, started_on="2026-09-01"
        )
        row = Homework.objects.create(player=player, drill=cast.club.drills.first(), week_of="2026-08-31")
        HomeworkLog.objects.create(homework=row, done_on="2026-09-01", good=1, tried=1)
    assert {path: queries(path) for path in before} == before
