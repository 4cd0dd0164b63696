"""The pages of court views, camera places and the phone's place, and their JSON: for whom, how many, how refused."""

import json
import re
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach.compute.court import LANDMARKS
from clubcoach.models import AuditEvent
from players.services import withdraw_consent
from sessions import court_phone, court_words, services
from sessions.models import CameraPlace, CourtView, Film
from tests.sessions.court_scene import CAMERA, clicked, make_film, seen, sent
from tests.sessions.moving import agree

pytestmark = pytest.mark.django_db

NAMES = list(LANDMARKS)


@pytest.fixture
def film(chain: Any) -> Film:
    agree(chain.match)
    return make_film(chain.match, strip=[1.5, 20.0])


def path_of(name: str, *args: Any) -> str:
    return reverse(name, args=["seaside", *args])


def text_of(answer: Any) -> str:
    body = re.sub(r"<script.*?</script>", " ", answer.content.decode(), flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def config_of(answer: Any) -> dict[str, Any]:
    found = re.search(r'<script id="court-config"[^>]*>(.*?)</script>', answer.content.decode(), flags=re.S)
    assert found
    return dict(json.loads(found[1]))


def form(places: dict[str, list[float]] | None = None, **fields: Any) -> dict[str, Any]:
    values: dict[str, Any] = {"from_s": "0", "at_s": "1.5", "width": "1280", "height": "720", "act": "save"}
    for name, (u, v) in (clicked() if places is None else places).items():
        number = NAMES.index(name) + 1
        values |= {f"u_{number}": f"{u:.1f}", f"v_{number}": f"{v:.1f}"}
    return {**values, **fields}


def queries(client: Any, path: str) -> int:
    client.get(path)
    with CaptureQueriesContext(
        connection,
    ) as caught:
        assert client.get(path).status_code == 200
    return len(caught)


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
    def test_the_court_of_a_film(self, film: Film, chain: Any, who: str, status: int) -> None:
        client = chain.cast.client(getattr(chain.cast, who))
        assert client.get(path_of("court_view", film.uuid)).status_code == status
        assert client.get(path_of("camera_places")).status_code == status
        assert client.get(path_of("api:court", film.uuid)).status_code == status
        answer = client.post(path_of("court_view", film.uuid), form())
        assert answer.status_code == (302 if status == 200 else status)
        assert CourtView.objects.exists() == (status == 200)

    @pytest.mark.parametrize("who", ["head_coach", "assistant", "manager", "student", "guardian"])
    def test_where_to_put_the_phone_is_for_everybody(self, cast: Any, who: str) -> None:
        answer = cast.client(getattr(cast, who)).get(path_of("phone_place"))
        assert answer.status_code == 200
        assert "welfare@example.org" in text_of(answer)

    def test_not_without_a_login_and_not_elsewhere(self, film: Film, cast: Any) -> None:
        for path in (path_of("court_view", film.uuid), path_of("phone_place"), path_of("camera_places")):
            answer = cast.client(None).get(path)
            assert answer.status_code == 302
            assert "/account/login/" in answer["Location"]
        there = reverse("court_view", args=["hilltop", film.uuid])
        assert cast.client(cast.stranger).get(there).status_code == 404
        assert cast.client(cast.stranger).get(reverse("phone_place", args=["hilltop"])).status_code == 200

    def test_no_picture_while_somebody_does_not_agree(self, film: Film, chain: Any) -> None:
        cast = chain.cast
        services.place_court(by=cast.assistant, film=film, **sent())
        client = cast.client(cast.assistant)
        before = config_of(client.get(path_of("court_view", film.uuid)))
        assert before["video"]
        assert before["poster"].endswith("/1500/?large=1")
        withdraw_consent(by=cast.student, player=cast.ana)
        answer = client.get(path_of("court_view", film.uuid))
        config = config_of(answer)
        assert (config["video"], config["poster"], config["strip"]) == (None, None, [])
        assert "/strip/" not in answer.content.decode()
        assert "withdrawn their consent" in text_of(answer)
        assert clicked()["left post"][0] == pytest.approx(float(value_of(answer, "u_11")), abs=0.01)


def value_of(answer: Any, name: str) -> str:
    found = re.findall(rf'name="{name}" value="([^"]*)"', answer.content.decode())
    assert found
    # The list of views has small forms of its own before it.
    return str(found[-1])


class TestForm:
    def test_empty_then_tried_then_saved_then_removed(self, film: Film, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        path = path_of("court_view", film.uuid)
        assert "No court view yet" in text_of(client.get(path))
        tried = client.post(path, form(act="try"))
        assert tried.status_code == 200
        assert "11 landmarks." in text_of(tried)
        assert tried.content.count(b'<polyline class="halo"') > 5
        assert not CourtView.objects.exists()
        saved = client.post(path, form(looked="1"))
        assert saved["Location"] == f"{path}?from=0"
        view = CourtView.objects.get()
        assert view.looked_by == chain.cast.assistant
        page = client.get(saved["Location"])
        assert config_of(page)["saved"] is True
        assert config_of(page)["fit"]["n"] == 11
        assert float(value_of(page, "u_11")) == view.landmarks["left post"][0]
        assert client.post(path, {"act": "remove", "from_s": "0"}).status_code == 302
        assert not CourtView.objects.exists()
        for wrong in ("soon", "", "nan", "1e999"):
            again = client.post(path, {"act": "remove", "from_s": wrong}, follow=True)
            assert "no court view that begins" in text_of(again), wrong

    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"u_3": "left"}, "far left corner: “left” is no number"),
            ({"u_3": ""}, "far left corner: “” is no number"),
            ({"u_3": "nan"}, "far left corner: “nan” is no number"),
            ({"width": "1280.5"}, "whole number of pixels"),
            ({"width": ""}, "Width: “” is no number"),
            ({"at_s": "99"}, "lasts from 0:00 to 1:00"),
            ({"from_s": "1e9"}, "is no number"),
            ({"height": "1280"}, "another shape"),
        ],
    )
    def test_what_is_wrong_is_said_and_what_was_typed_stays(
        self, film: Film, chain: Any, fields: dict[str, str], sentence: str
    ) -> None:
        client = chain.cast.client(chain.cast.assistant)
        answer = client.post(path_of("court_view", film.uuid), form(**fields))
        assert answer.status_code == 422
        assert sentence in text_of(answer)
        assert "Nothing was saved" in text_of(answer)
        assert value_of(answer, "v_11") == f"{clicked()['left post'][1]:.1f}"
        assert not CourtView.objects.exists()

    def test_a_click_without_scripts_sets_the_chosen_one_and_asks_for_the_next(
        self, film: Film, chain: Any
    ) -> None:
        client = chain.cast.client(chain.cast.assistant)
        values = form({}, landmark="far left corner", act="", **{"spot.x": "487", "spot.y": "240"})
        answer = client.post(path_of("court_view", film.uuid), values)
        assert answer.status_code == 200
        assert (value_of(answer, "u_3"), value_of(answer, "v_3")) == ("487.5", "240.5")
        assert config_of(answer)["chosen"] == "far right corner"
        nowhere = client.post(path_of("court_view", film.uuid), {**values, "landmark": "the moon"})
        assert nowhere.status_code == 200
        assert value_of(nowhere, "u_3") == ""

    def test_another_picture_and_a_later_view(self, film: Film, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        path = path_of("court_view", film.uuid)
        later = client.get(f"{path}?from=new&at=20")
        assert config_of(later)["poster"].endswith("/20000/?large=1")
        assert (value_of(later, "from_s"), value_of(later, "at_s")) == ("0", "20")
        services.place_court(by=chain.cast.assistant, film=film, **sent())
        again = client.get(f"{path}?from=new&at=20")
        assert value_of(again, "from_s") == "20"
        assert client.post(path, form(from_s="20", at_s="21,5")).status_code == 302
        assert list(film.court_views.values_list("from_s", "at_s")) == [(0, 2), (20, 21.5)]

    def test_a_film_that_cannot_be_placed_says_why(self, chain: Any) -> None:
        film = make_film(chain.match, state="arrived", duration_s=None)
        answer = chain.cast.client(chain.cast.assistant).get(path_of("court_view", film.uuid))
        assert "still being read" in text_of(answer)
        assert b"court-config" not in answer.content

    def test_of_a_deleted_film_the_views_stand_and_nothing_is_offered(self, film: Film, chain: Any) -> None:
        view = services.place_court(by=chain.cast.assistant, film=film, **sent())
        Film.objects.update(state="gone", name="", file="", gone_at=timezone.now(), gone_why="hand")
        view.copied_from = view
        view.save()
        page = text_of(chain.cast.client(chain.cast.assistant).get(path_of("court_view", film.uuid)))
        assert "This film has been deleted." in page
        assert "copied from a deleted film on" in page
        assert 'value="remove"' not in page
        assert 'value="camera"' not in page
        assert "The phone was moved" not in page

    def test_as_many_queries_with_many_views_and_places(self, film: Film, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        path = path_of("court_view", film.uuid)
        view = services.place_court(by=chain.cast.assistant, film=film, **sent())
        one = queries(client, path)
        rows = CourtView.objects.filter(pk=view.pk).values()[0]
        del rows["id"]
        rows["copied_from_id"] = view.pk
        CourtView.objects.bulk_create(CourtView(**{**rows, "from_s": n}) for n in range(1, 40))
        places(chain, 500)
        assert queries(client, path) == one


def places(chain: Any, n: int) -> None:
    CameraPlace.objects.bulk_create(CameraPlace(club=chain.cast.club, name=f"Court {k:03}") for k in range(n))


class TestPlaces:
    @pytest.mark.parametrize("n", [0, 1, 500])
    def test_as_many_as_there_are(self, chain: Any, n: int) -> None:
        places(chain, n)
        client = chain.cast.client(chain.cast.assistant)
        answer = client.get(path_of("camera_places"))
        assert ("No camera place yet" in text_of(answer)) == (n == 0)
        assert answer.content.count(b'<th scope="row"') == min(n, 50)

    def test_as_many_queries_for_one_as_for_many(self, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        places(chain, 1)
        one = queries(client, path_of("camera_places"))
        CameraPlace.objects.all().delete()
        places(chain, 500)
        assert queries(client, path_of("camera_places")) == one

    def test_new_changed_twice_and_removed(self, chain: Any, film: Film) -> None:
        client = chain.cast.client(chain.cast.assistant)
        path = path_of("camera_places")
        assert client.post(path, {"name": "Court 1", "words": "on the pole"}).status_code == 302
        again = client.post(path, {"name": "Court 1", "words": "elsewhere"})
        assert again.status_code == 422
        assert "of this name is there already" in text_of(again)
        assert 'value="elsewhere"' in again.content.decode()
        assert client.post(path, {"name": "x" * 81}).status_code == 422
        place = CameraPlace.objects.get()
        assert client.post(path, {"place": place.pk, "name": "Court 2", "words": ""}).status_code == 302
        place.refresh_from_db()
        assert (place.name, place.words) == ("Court 2", "")
        foreign = CameraPlace.objects.create(club=chain.cast.other_club, name="Theirs")
        for pk in (foreign.pk, "x", "-1", "9" * 30):
            assert client.post(path, {"place": pk, "name": "Mine"}).status_code == 404
        assert client.post(path, {"place": place.pk, "act": "remove"}).status_code == 302
        assert list(CameraPlace.objects.all()) == [foreign]

    def test_a_films_place_and_the_copy_from_there(self, chain: Any, film: Film) -> None:
        cast = chain.cast
        client = cast.client(cast.assistant)
        path = path_of("court_view", film.uuid)
        client.post(path, {"act": "camera", "name": "Court 1"})
        film.refresh_from_db()
        assert film.camera == CameraPlace.objects.get()
        first = make_film(chain.match, camera=film.camera, digest="f" * 64, name="first.webm")
        services.place_court(by=cast.assistant, film=first, **sent())
        page = client.get(path)
        assert "The last film from “Court 1”, first.webm, has one." in text_of(page)
        copied = client.post(path_of("court_copy", film.uuid), follow=True)
        assert "Look whether the lines lie on the court" in text_of(copied)
        assert "copied from first.webm" in text_of(copied)
        refused = client.post(path_of("court_copy", film.uuid), follow=True)
        assert "has a court view already" in text_of(refused)
        foreign = CameraPlace.objects.create(club=cast.other_club, name="Theirs")
        assert client.post(path, {"act": "camera", "camera": foreign.pk}).status_code == 404
        client.post(path, {"act": "camera", "camera": ""})
        film.refresh_from_db()
        assert film.camera is None


class TestSummary:
    def test_what_a_films_page_says(self, film: Film, chain: Any) -> None:
        empty = court_words.summary(film)
        assert (empty["views"], empty["may_be_placed"]) == (0, True)
        services.place_court(by=chain.cast.assistant, film=film, **sent())
        told = court_words.summary(film)
        assert (told["views"], told["looked"]) == (1, False)
        assert "near half" in told["words"]
        services.place_court(by=chain.cast.assistant, film=film, **sent(from_s=30, at_s=31, looked=True))
        services.place_court(by=chain.cast.assistant, film=film, **sent(looked=True))
        told = court_words.summary(film)
        assert (told["views"], told["looked"]) == (2, True)
        assert "0:00, 0:30" in told["from_words"]
        page = chain.cast.client(chain.cast.assistant).get(path_of("film", film.uuid))
        assert told["words"] in text_of(page)
        assert path_of("court_view", film.uuid) in page.content.decode()


class TestPhone:
    def test_figures_are_those_of_the_geometry(self) -> None:
        rows = court_phone.rows({})
        assert [row["height"] for row in rows] == ["1.6 m", "3.5 m", "5 m"]
        assert rows[1]["costs"] == ["3 cm", "9 cm", "15 cm"], "as the check list says of this place"
        costs = [[int(cost.split()[0]) for cost in row["costs"]] for row in rows]
        assert costs[0] > costs[1] > costs[2]
        assert all(list(row) == sorted(row) for row in costs)

    def test_the_page_says_what_matters(self, cast: Any) -> None:
        text = text_of(cast.client(cast.student).get(path_of("phone_place")))
        for words in (
            "agree",
            "changing area",
            "50 or 60",
            "focus and exposure",
            "1280 × 720",
            "rules of the place",
        ):
            assert words in text
        cast.club.welfare_contact = ""
        cast.club.save()
        assert "has not named a welfare contact" in text_of(
            cast.client(cast.student).get(path_of("phone_place"))
        )


class TestApi:
    @pytest.fixture
    def api(self, film: Film, chain: Any) -> Any:
        client = chain.cast.client(chain.cast.assistant)

        def ask(method: str, body: Any = None, name: str = "api:court") -> Any:
            ask_it = getattr(client, method)
            if body is None:
                return ask_it(path_of(name, film.uuid))
            return ask_it(path_of(name, film.uuid), json.dumps(body), content_type="application/json")

        return ask

    def test_tried_writes_nothing(self, api: Any) -> None:
        audits = AuditEvent.objects.count()
        told = api("post", sent()).json()
        assert told["n"] == 11
        assert {row["zone"] for row in told["zones"]} == {"near", "middle", "far"}
        assert told["lines"]
        assert all(len(point) == 2 for line in told["lines"] for point in line["points"])
        assert {row["name"] for row in told["landmarks"]} == set(seen())
        assert not CourtView.objects.exists()
        assert AuditEvent.objects.count() == audits

    def test_saved_read_and_measured(self, api: Any) -> None:
        assert api("get").json()["views"] == []
        saved = api("put", sent(looked=True)).json()
        assert saved["view"]["looked"] is True
        view = api("get").json()["views"][0]
        assert view["landmarks"]["left post"] == [round(part, 2) for part in clicked()["left post"]]
        assert [row["name"] for row in api("get").json()["plan"]] == NAMES
        points = [list(CAMERA.project([-1.0, -3.0, 0.0])), [640, 1]]
        told = api("post", {"at_s": 3, "points": points}, "api:court_spots").json()
        near, sky = told["spots"]
        assert (near["x"], near["y"]) == (pytest.approx(-1, abs=0.15), pytest.approx(-3, abs=0.15))
        assert near["inside"] is True
        assert (sky["x"], sky["y"], sky["covariance"]) == (None, None, None)

    def test_the_view_of_the_moment_is_measured_with(self, api: Any, film: Film, chain: Any) -> None:
        spot = {"at_s": 10, "points": [[640, 400]]}
        assert "No court view holds" in str(api("post", spot, "api:court_spots").json())
        assert api("put", sent(from_s=20, at_s=21)).status_code == 200
        early = api("post", spot, "api:court_spots")
        assert early.status_code == 400
        assert api("post", {**spot, "at_s": 20}, "api:court_spots").json()["from_s"] == 20

    @pytest.mark.parametrize(
        "body",
        [
            [],
            "landmarks",
            {},
            {"width": 1280, "height": 720},
            sent(landmarks={}),
            sent(landmarks=[[1, 2]]),
            sent(landmarks={"left post": [1]}),
            sent(landmarks={"left post": [1, 2, 3]}),
            sent(landmarks={"left post": ["a", 2]}),
            sent(landmarks={"left post": [1e300, 2]}),
            sent(landmarks={"left post": None}),
            sent(landmarks={"the moon": [1, 2]}),
            sent(landmarks={f"landmark {n}": [n, n] for n in range(31)}),
            sent(landmarks=dict(list(clicked().items())[:3])),
            sent(landmarks={name: [640, 360] for name in clicked()}),
            sent(width=0),
            sent(width=10**12),
            sent(height="tall"),
            sent(height=1281),
        ],
    )
    def test_refused_with_a_sentence(self, api: Any, body: Any) -> None:
        for method in ("post", "put"):
            answer = api(method, body)
            assert answer.status_code == 400, answer.content
            assert answer.json()
        assert not CourtView.objects.exists()

    @pytest.mark.parametrize(
        "fields", [{"from_s": -1}, {"at_s": 1e9}, {"from_s": 50, "at_s": 10}, {"at_s": 61}]
    )
    def test_saved_only_inside_the_film(self, api: Any, fields: dict[str, float]) -> None:
        answer = api("put", sent(**fields))
        assert answer.status_code == 400
        assert set(answer.json()) <= {"from_s", "at_s"}

    def test_numbers_that_are_none(self, api: Any, film: Film, chain: Any) -> None:
        client = chain.cast.client(chain.cast.assistant)
        wrong = ['{"at_s": NaN, "points": [[1, 2]]}', '{"at_s": 1, "points": [[Infinity, 2]]}']
        wrong += ['{"at_s": 1, "points": [["nan", 2]]}', '{"at_s": "inf", "points": [[1, 2]]}']
        for text in [*wrong, '{"at_s": 1, "points": []}']:
            answer = client.post(path_of("api:court_spots", film.uuid), text, content_type="application/json")
            assert answer.status_code == 400, answer.content
        api("put", sent())
        assert api("post", {"at_s": 1, "points": [["nan", 2]]}, "api:court_spots").status_code == 400
        points = [[1, 2]] * 51
        assert api("post", {"at_s": 1, "points": points}, "api:court_spots").status_code == 400
        assert api("post", {"at_s": 1, "points": points[:50]}, "api:court_spots").status_code == 200
