"""Places on the floor: set, moved, cleared and undone by operations, in metres, and what is refused."""

import uuid
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from players.models import Check, CheckWording
from sessions.court_spots import fit_of
from sessions.models import CourtView, Film, Mark, MatchFilm, Situation, Spot
from sessions.services.court import place_court
from sessions.services.publishing import new_version, publish
from sessions.state import state_of
from sessions.state_court import STRAIGHT, pieces_in_picture
from tests import factories as make
from tests.clubcoach.compute.court_places import hidden
from tests.sessions.coding import Court, Device, make_court
from tests.sessions.court_scene import CAMERA, clicked, make_film, seen, sent

# A foot at this place, the net at 0 and the camera's end negative.
HERE = (1.0, -4.1)


def at(x: float, y: float) -> dict[str, float]:
    u, v = CAMERA.project([x, y, 0.0])
    return {"u": float(u) / CAMERA.width, "v": float(v) / CAMERA.height_px}


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def device(court: Court) -> Device:
    return court.device()


@pytest.fixture
def film(court: Court) -> Film:
    found = make_film(court.match)
    place_court(by=court.cast.head_coach, film=found, **sent(landmarks=seen(), looked=True))
    return found


def body(film: Film, x: float = HERE[0], y: float = HERE[1], **other: Any) -> dict[str, Any]:
    return {"film": str(film.uuid), "at_s": 24.0, **at(x, y), **other}


@pytest.fixture
def serve(court: Court, device: Device) -> str:
    """A serve of Ana's at the near end; S2 asks whether she is within 5 m."""
    return device.situation(device.rally(), court.ana, "serve")


def test_a_spot_is_set_in_metres_with_its_chance(
    court: Court, device: Device, film: Film, serve: str
) -> None:
    result = device.do("spot.set", f"{serve}/S2/1", body(film))
    assert (result["status"], result["rev"]) == ("applied", 1), result
    row = result["row"]
    assert (row["situation"], row["check"], row["number"], row["film"]) == (serve, "S2", 1, str(film.uuid))
    assert row["x_m"] == pytest.approx(1.0, abs=0.005)
    assert row["y_m"] == pytest.approx(-4.1, abs=0.005)
    assert 0.03 < row["sd_m"] < 0.15
    assert row["chance"] > 0.99
    assert row["measure"] == [pytest.approx(4.1, abs=0.01), row["sd_m"]]
    spot = Spot.objects.get()
    assert (spot.x_m, spot.y_m) == (pytest.approx(1.0, abs=0.005), pytest.approx(-4.1, abs=0.005))
    assert (spot.u, spot.v) == (
        pytest.approx(at(*HERE)["u"], abs=1e-6),
        pytest.approx(at(*HERE)["v"], abs=1e-6),
    )
    assert spot.var_y**0.5 == pytest.approx(row["sd_m"], abs=0.001)
    assert not Mark.objects.exists(), "nothing is marked by itself"
    state = court.state()["situations"][0]
    assert state["chances"] == {"S2": row["chance"]}
    assert state["measures"] == {"S2": row["measure"]}
    assert state["spots"]["S2"]["1"] == {
        "film": str(film.uuid),
        "at_s": 24.0,
        "u": spot.u,
        "v": spot.v,
        "x_m": row["x_m"],
        "y_m": row["y_m"],
        "sd_m": row["sd_m"],
        "rev": 1,
    }


def test_a_spot_beyond_the_bound_is_a_chance_of_missed(device: Device, film: Film, serve: str) -> None:
    assert device.do("spot.set", f"{serve}/S2/1", body(film, y=-6.2))["row"]["chance"] < 0.01
    close = device.do("spot.set", f"{serve}/S2/1", body(film, y=-5.0))["row"]["chance"]
    assert close == pytest.approx(0.5, abs=0.03)


def test_two_spots_say_something_only_together(court: Court, device: Device, film: Film) -> None:
    net = device.situation(device.rally(), court.pair, "net")
    first = device.do("spot.set", f"{net}/N1/1", body(film, -2.0, -3.0))
    assert "chance" not in first["row"]
    assert "chances" not in court.state()["situations"][0]
    second = device.do("spot.set", f"{net}/N1/2", body(film, 2.0, -3.3))
    assert second["row"]["chance"] > 0.99
    assert second["row"]["measure"][0] == pytest.approx(0.3, abs=0.02)
    assert court.state()["situations"][0]["chances"] == {"N1": second["row"]["chance"]}
    # From two pictures between which the phone was moved nothing is told.
    CourtView.objects.create(
        film=film, from_s=25.0, width=1280, height=720, landmarks=clicked(), rms_px=1, rms_m=0.02
    )
    later = device.do("spot.set", f"{net}/N1/2", body(film, 2.0, -3.3, at_s=26.0))
    assert later["status"] == "applied"
    assert "chance" not in later["row"]


def test_a_spot_is_moved_cleared_and_undone(court: Court, device: Device, film: Film, serve: str) -> None:
    target = f"{serve}/S2/1"
    first = device.do("spot.set", target, body(film), base_rev=0)
    moved = device.do("spot.set", target, body(film, y=-6.2), base_rev=1)
    assert (moved["rev"], Spot.objects.get().y_m) == (2, pytest.approx(-6.2, abs=0.01))
    back = device.undo(moved)
    assert (back["status"], back["rev"]) == ("applied", 3)
    assert back["row"]["y_m"] == pytest.approx(-4.1, abs=0.005)
    cleared = device.do("spot.set", target, {"u": None}, base_rev=3)
    assert (cleared["status"], cleared["rev"], cleared["row"]["u"]) == ("applied", 4, None)
    assert not Spot.objects.exists()
    state = court.state()["situations"][0]
    assert state["spots"] == {"S2": {"1": {"u": None, "rev": 4}}}
    assert "chances" not in state
    again = device.undo(cleared)
    assert (again["status"], again["rev"]) == ("applied", 5)
    assert Spot.objects.get().y_m == pytest.approx(-4.1, abs=0.005)
    stale = device.do("spot.set", target, body(film), base_rev=2)
    assert (stale["status"], stale["rev"]) == ("conflict", 5)
    assert stale["theirs"]["v"] == Spot.objects.get().v
    # What is undone twice is no longer what stands there.
    assert device.undo(moved)["status"] == "conflict"
    assert device.do("spot.set", target, body(film))["rev"] == 5, "the same again changes nothing"
    assert device.undo(first)["status"] == "applied"
    assert not Spot.objects.exists()


def test_a_spot_cleared_and_set_again_in_one_batch_goes_on_counting(
    device: Device, film: Film, serve: str
) -> None:
    target = f"{serve}/S2/1"
    device.do("spot.set", target, body(film))
    # The first of them asks what was cleared before, so that the batch knows it from then on.
    other = device.op("spot.set", f"{serve}/S4/1", body(film), 0)
    clear = device.op("spot.set", target, {"u": None}, 1)
    again = device.op("spot.set", target, body(film, y=-6.2), 2)
    assert [answer["rev"] for answer in device.send(other, clear, again)] == [1, 2, 3]


def test_the_same_place_in_the_film_of_later_is_a_change(device: Device, film: Film, serve: str) -> None:
    device.do("spot.set", f"{serve}/S2/1", body(film))
    result = device.do("spot.set", f"{serve}/S2/1", body(film, at_s=24.5))
    assert (result["rev"], result["row"]["at_s"]) == (2, 24.5)
    assert device.undo(result)["row"]["at_s"] == 24.0


@pytest.mark.parametrize(
    ("target", "change", "field", "words"),
    [
        ("S2/1", {"u": 1.2}, "u", "share of the picture"),
        ("S2/1", {"v": "0.4"}, "v", "share of the picture"),
        ("S2/1", {"v": None}, "v", "is missing"),
        ("S2/1", {"v": True}, "v", "share of the picture"),
        ("S2/1", {"at_s": -1}, "at_s", "seconds"),
        ("S2/1", {"at_s": 60.6}, "at_s", "The film ends at 1:00"),
        ("S2/1", {"film": "x"}, "film", "not an identifier"),
        ("S2/1", {"film": str(uuid.uuid4())}, "film", "no film of this match"),
        ("S2/1", {"u": 0.5, "v": 0.01}, "v", "not on the floor"),
        ("S2/1", at(9.0, 9.0), "u", "outside the court"),
        ("S2/1", {"foot": 1}, "foot", "not a field"),
        ("S2/2", {}, "target", "S2 takes 1 place"),
        ("S2/3", {}, "target", "1 or 2"),
        ("S2", {}, "target", "1 or 2"),
        ("S1/1", {}, "target", "No place on the floor decides S1"),
        ("S5/1", {}, "target", "No place on the floor decides S5"),
        ("N1/1", {}, "target", "another area"),
        ("X9/1", {}, "target", "not in the list version"),
    ],
)
def test_refusals(
    device: Device, film: Film, serve: str, target: str, change: dict[str, Any], field: str, words: str
) -> None:
    result = device.do("spot.set", f"{serve}/{target}", {**body(film), **change})
    assert (result["status"], result["field"]) == ("refused", field), result
    assert words in result["message"]
    assert not Spot.objects.exists()


def test_a_check_of_the_other_end_takes_no_spot(court: Court, device: Device, film: Film) -> None:
    serve = device.situation(device.rally(), court.ana, "serve", end="far")
    result = device.do("spot.set", f"{serve}/S3/1", body(film))
    assert "cannot be judged at that end" in result["message"]


def test_a_place_on_the_other_half_says_nothing(device: Device, film: Film, serve: str) -> None:
    result = device.do("spot.set", f"{serve}/S2/1", body(film, y=4.1))
    assert result["status"] == "applied"
    assert "chance" not in result["row"]


def test_without_a_court_view_it_is_refused(court: Court, device: Device, serve: str) -> None:
    bare = make_film(court.match)
    result = device.do("spot.set", f"{serve}/S2/1", body(bare))
    assert "No court is placed in this film at 0:24" in result["message"]
    place_court(by=court.cast.head_coach, film=bare, **sent(from_s=30.0, at_s=30.0))
    assert device.do("spot.set", f"{serve}/S2/1", body(bare))["status"] == "refused"
    assert device.do("spot.set", f"{serve}/S2/1", body(bare, at_s=31.0))["status"] == "applied"


def test_a_film_of_another_match_is_refused(court: Court, device: Device, film: Film, serve: str) -> None:
    MatchFilm.objects.all().delete()
    assert device.do("spot.set", f"{serve}/S2/1", body(film))["field"] == "film"


def test_a_film_that_stays_away_takes_spots_too(court: Court, device: Device, serve: str) -> None:
    away = make_film(court.match, state="away", slices="a" * 64, digest="")
    place_court(by=court.cast.head_coach, film=away, **sent())
    assert device.do("spot.set", f"{serve}/S2/1", body(away))["row"]["chance"] > 0.9


def test_undo_after_the_film_was_taken_off_the_match_is_refused_in_words(
    device: Device, film: Film, serve: str
) -> None:
    device.do("spot.set", f"{serve}/S2/1", body(film))
    moved = device.do("spot.set", f"{serve}/S2/1", body(film, y=-6.0))
    MatchFilm.objects.all().delete()
    result = device.undo(moved)
    assert (result["status"], result["field"]) == ("refused", "film")
    assert device.do("spot.set", f"{serve}/S2/1", {"u": None})["status"] == "applied", (
        "clearing needs no film"
    )


def test_a_bound_of_the_club_is_what_counts(court: Court, device: Device, film: Film, serve: str) -> None:
    wording = CheckWording.objects.get(version=court.analysis.check_list, check_identity__code="S2")
    wording.bounds = {"near_m": 3.5}
    wording.save(update_fields=["bounds"])
    assert device.do("spot.set", f"{serve}/S2/1", body(film))["row"]["chance"] < 0.01


def test_a_court_that_was_placed_anew_elsewhere_takes_the_proposal_away(
    court: Court, device: Device, film: Film, serve: str
) -> None:
    device.do("spot.set", f"{serve}/S2/1", body(film))
    shifted = {name: [u + 60, v] for name, (u, v) in seen().items() if name not in ("near left service",)}
    place_court(by=court.cast.head_coach, film=film, **sent(landmarks=shifted))
    state = court.state()["situations"][0]
    assert "chances" not in state
    assert state["spots"]["S2"]["1"]["y_m"] == pytest.approx(-4.1, abs=0.005), (
        "the metres stay as they were told"
    )


def test_spots_go_with_their_situation_and_come_back_with_it(
    court: Court, device: Device, film: Film, serve: str
) -> None:
    device.do("spot.set", f"{serve}/S2/1", body(film))
    dropped = device.do("situation.drop", serve)
    assert court.state()["situations"] == []
    refused = device.do("spot.set", f"{serve}/S2/1", body(film, y=-6))
    assert "was removed" in refused["message"]
    device.undo(dropped)
    assert court.state()["situations"][0]["spots"]["S2"]["1"]["rev"] == 1
    Situation.objects.all().delete()
    assert not Spot.objects.exists()


def test_a_new_version_has_the_spots(court: Court, device: Device, film: Film, serve: str) -> None:
    device.do("spot.set", f"{serve}/S2/1", body(film))
    device.do("mark.set", f"{serve}/S2", {"value": "met"})
    gone = device.situation(device.rally(2, 31.0, 40.0), court.ana, "serve", hit_s=33.0)
    device.do("spot.set", f"{gone}/S2/1", body(film))
    device.do("situation.drop", gone)
    court.analysis.refresh_from_db()
    court.analysis.state = "submitted"
    court.analysis.save(update_fields=["state"])
    publish(by=court.cast.head_coach, analysis=court.analysis)
    fresh = new_version(by=court.cast.head_coach, analysis=court.analysis)
    old, new = Spot.objects.order_by("pk").exclude(situation__dropped=True)
    assert (new.situation.analysis, str(new.situation.uuid)) == (fresh, serve)
    assert (new.x_m, new.y_m, new.var_y, new.film) == (old.x_m, old.y_m, old.var_y, film)
    assert Mark.objects.filter(situation__analysis=fresh).count() == 1


def test_what_has_been_sent_since_carries_the_spot(
    court: Court, device: Device, film: Film, serve: str
) -> None:
    client = court.cast.client(court.cast.assistant)
    stamp = client.get(f"{court.base}/state/").json()["stamp"]
    device.do("spot.set", f"{serve}/S2/1", body(film))
    told = client.get(f"{court.base}/state/", {"since": stamp}).json()
    assert told["situations"][0]["spots"]["S2"]["1"]["rev"] == 1


def test_the_film_s_lines_lie_where_the_camera_sees_them(court: Court, film: Film) -> None:
    (view,) = court.state()["match"]["films"][0]["court"]
    assert view["from_s"] == 0
    assert "looked" not in view
    (line,) = view["lines"]["S2"]["near"]
    across = [CAMERA.project([x, -5.0, 0.0]) / [1280, 720] for x in (-5.0, 5.0)]
    assert all(0 <= part <= 1 for point in line for part in point)
    # The near ends of that line lie outside the picture: it is cut there, on the same straight.
    assert line[0][1] == pytest.approx(across[0][1], abs=0.001)
    assert [line[0][0], line[-1][0]] == [
        pytest.approx(max(0, across[0][0]), abs=0.001),
        pytest.approx(min(1, across[1][0]), abs=0.001),
    ]
    assert len(view["lines"]["F5"]["near"]) == 2
    assert set(view["lines"]["S2"]) == {"near", "far"}
    assert set(view["lines"]["N3"]) == {"near"}
    assert "F3" not in view["lines"], "between two spots there is no line"
    assert "G1" not in view["lines"]
    checks = {row["code"]: row for area in court.state()["areas"] for row in area["checks"]}
    assert (checks["S2"]["spots"], checks["S2"]["measure"]) == (1, "net")
    assert (checks["N1"]["spots"], checks["N1"]["measure"]) == (2, "along")
    assert "spots" not in checks["S1"]


def test_a_line_follows_the_lens() -> None:
    """Against OpenCV's own projection of the same line, everywhere along it."""
    camera, fit = hidden(np.random.default_rng(4), 3.5, "strong", n=10, sd=0.01)
    line = np.array([[-5.0, -4.5], [5.0, -4.5]])
    (piece,) = pieces_in_picture(fit, line)
    assert 4 < len(piece) < 40
    along = np.linspace(0, 1, 400)[:, None]
    pixels, inside = camera.project(line[0] + (line[1] - line[0]) * along)
    true = pixels[inside] / np.array(camera.size)
    told = np.array(piece)
    off = [min(_to_segment(point, a, b) for a, b in pairwise(told)) for point in true]
    assert max(off) < STRAIGHT + 0.0005
    assert inside.sum() > 100


def _to_segment(point: Any, a: Any, b: Any) -> float:
    share = np.clip((point - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
    return float(np.hypot(*(point - a - share * (b - a))))


def test_a_line_that_the_picture_does_not_show_is_left_out(film: Film) -> None:
    # What is a metre before the near back glass lies below this picture; it is whole at the far one.
    fit = fit_of(film.court_views.get())
    assert fit is not None
    assert pieces_in_picture(fit, np.array([[-5.0, -9.0], [5.0, -9.0]])) == []
    (far,) = pieces_in_picture(fit, np.array([[-5.0, 9.0], [5.0, 9.0]]))
    assert len(far) == 2


def test_a_copied_view_that_nobody_looked_at_is_said(court: Court) -> None:
    film = make_film(court.match)
    place_court(by=court.cast.head_coach, film=film, **sent())
    assert court.state()["match"]["films"][0]["court"][0]["looked"] is False


def test_queries_are_flat_in_spots(
    court: Court, device: Device, film: Film, django_assert_num_queries: Any
) -> None:
    rally = device.rally()

    def count() -> int:
        court.analysis.refresh_from_db()
        with CaptureQueriesContext(
            connection,
        ) as told:
            state_of(court.analysis)
        return len(told)

    def fill(n: int) -> None:
        check = Check.objects.get(club=court.cast.club, code="S2")
        row = make.Rally.objects.get(uuid=rally)
        for _ in range(n):
            situation = make.make_situation(court.analysis, row, court.ana, court.area("serve"))
            Spot.objects.create(
                situation=situation,
                check_identity=check,
                film=film,
                at_s=24.0,
                **at(*HERE),
                x_m=1.0,
                y_m=-4.1,
                var_x=0.01,
                cov_xy=0.0,
                var_y=0.01,
            )

    bare = count()
    fill(1)
    one = count()
    fill(60)
    assert count() == one <= bare + 1
