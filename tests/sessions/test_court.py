"""Court views: what is kept of landmarks, what is refused in which words, and what is copied from film to film."""

import math
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from clubcoach.compute.camera import Camera
from clubcoach.compute.court import LANDMARKS, CourtError
from clubcoach.models import AuditEvent
from players.models import CheckListVersion
from sessions import court_plan, court_reading, court_words, services
from sessions.models import CameraPlace, CourtView, Film
from tests.sessions.court_scene import CAMERA, clicked, make_film, seen, sent
from tests.sessions.moving import agree

pytestmark = pytest.mark.django_db


@pytest.fixture
def film(chain: Any) -> Film:
    agree(chain.match)
    return make_film(chain.match)


@pytest.fixture
def coach(chain: Any) -> Any:
    return chain.cast.assistant


def words_of(error: Any) -> str:
    return " ".join(error.value.messages)


def actions() -> list[str]:
    return list(
        AuditEvent.objects.filter(action__contains="court").order_by("pk").values_list("action", flat=True)
    )


class TestPlacing:
    def test_landmarks_are_kept_in_the_plans_order_with_their_error(self, film: Film, coach: Any) -> None:
        turned = dict(reversed(clicked().items()))
        view = services.place_court(by=coach, film=film, **sent(landmarks=turned))
        view.refresh_from_db()
        # A database may keep names in an order of its own; whoever reads them has the plan's.
        kept = services.court.clean_landmarks(view.landmarks)
        assert list(kept) == [name for name in LANDMARKS if name in turned]
        assert view.landmarks["left post"] == [round(part, 2) for part in turned["left post"]]
        assert 0.3 < view.rms_px < 3
        assert 0 < view.rms_m < 0.25
        assert (view.placed_by, view.looked_by, view.looked_at) == (coach, None, None)
        assert actions() == ["court.placed"]

    def test_who_has_looked_is_named_until_landmarks_change(self, film: Film, coach: Any) -> None:
        now = timezone.now() - timedelta(hours=1)
        view = services.place_court(by=coach, film=film, now=now, **sent(looked=True))
        assert (view.looked_by, view.looked_at) == (coach, now)
        again = services.place_court(by=coach, film=film, **sent(landmarks=clicked(seed=3)))
        assert again.pk == view.pk
        assert (again.looked_by, again.looked_at) == (None, None)
        assert CourtView.objects.count() == 1

    def test_a_phone_that_was_moved_gives_a_second_view(self, film: Film, coach: Any) -> None:
        services.place_court(by=coach, film=film, **sent())
        other = clicked(Camera(5, 1.0, 90.0, 1280, 720, 25.0))
        services.place_court(by=coach, film=film, **sent(from_s=30.1234, at_s=40, landmarks=other))
        assert [row.from_s for row in film.court_views.all()] == [0, 30.123]
        assert court_reading.view_at(film, 30.1).from_s == 0  # type: ignore[union-attr]
        assert court_reading.view_at(film, 30.2).from_s == 30.123  # type: ignore[union-attr]
        services.remove_court(by=coach, film=film, from_s=0)
        assert court_reading.view_at(film, 30.1) is None
        assert actions()[-1] == "court.removed"
        with pytest.raises(ValidationError, match="no court view that begins"):
            services.remove_court(by=coach, film=film, from_s=0)

    def test_only_so_many_views(self, film: Film, coach: Any, monkeypatch: Any) -> None:
        monkeypatch.setattr("sessions.services.court.MOST_VIEWS", 1)
        services.place_court(by=coach, film=film, **sent())
        services.place_court(by=coach, film=film, **sent(landmarks=clicked(seed=2)))
        with pytest.raises(ValidationError, match="at most 1"):
            services.place_court(by=coach, film=film, **sent(from_s=1))

    @pytest.mark.parametrize("who", ["manager", "student", "guardian", "stranger"])
    def test_only_coaches_of_the_club(self, film: Film, chain: Any, who: str) -> None:
        person = getattr(chain.cast, who)
        for act in (
            lambda: services.place_court(by=person, film=film, **sent()),
            lambda: services.remove_court(by=person, film=film, from_s=0),
            lambda: services.copy_court(by=person, film=film),
            lambda: services.set_camera(by=person, film=film, camera=None),
            lambda: services.save_camera(by=person, club=chain.cast.club, name="Court 1"),
        ):
            with pytest.raises(PermissionDenied):
                act()
        assert not CourtView.objects.exists()
        assert not CameraPlace.objects.exists()


class TestRefused:
    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"from_s": -1.0}, "lasts from 0:00 to 1:00"),
            ({"from_s": 61.0, "at_s": 61.0}, "lasts from 0:00 to 1:00"),
            ({"at_s": 60.5}, "lasts from 0:00 to 1:00"),
            ({"at_s": math.nan}, "lasts from 0:00 to 1:00"),
            ({"from_s": "soon"}, "lasts from 0:00 to 1:00"),
            ({"from_s": 20.0, "at_s": 10.0}, "before the moment from which it is to hold"),
            ({"width": 1281.5}, "whole number of pixels"),
            ({"width": 1}, "whole number of pixels"),
            ({"height": 9000}, "whole number of pixels"),
            ({"height": True}, "whole number of pixels"),
            ({"width": 720, "height": 1280}, "another shape"),
            ({"height": 960}, "another shape"),
            ({"landmarks": [1, 2]}, "names with two numbers"),
            ({"landmarks": {"the umpire's chair": [1, 2]}}, "“the umpire's chair” is no landmark"),
            ({"landmarks": {"left post": [1, math.nan]}}, "foot of the left net post is not two numbers"),
            ({"landmarks": {"left post": [1, 10**400]}}, "foot of the left net post is not two numbers"),
            ({"landmarks": {"left post": "12"}}, "foot of the left net post is not two numbers"),
            ({"landmarks": {"left post": [1, 2, 3]}}, "foot of the left net post is not two numbers"),
            ({"landmarks": {"left post": [True, 2]}}, "foot of the left net post is not two numbers"),
        ],
    )
    def test_what_is_none(self, film: Film, coach: Any, fields: dict[str, Any], sentence: str) -> None:
        with pytest.raises(ValidationError) as error:
            services.place_court(by=coach, film=film, **sent(**fields))
        assert sentence in words_of(error)
        assert not CourtView.objects.exists()
        assert actions() == []

    def landmarks(self, case: str) -> dict[str, list[float]]:
        marks = seen()
        if case == "too_few":
            return dict(list(marks.items())[:3])
        if case == "in_a_line":
            return {n: marks[n] for n in ("far left service", "far centre", "far right service")} | {
                "net centre": marks["net centre"]
            }
        if case == "left_right":
            return {name: [1280 - u, v] for name, (u, v) in marks.items()}
        if case == "turned":
            swapped = {"near": "far", "far": "near", "left": "right", "right": "left"}
            other = {
                " ".join(swapped.get(part, part) for part in name.split()): at for name, at in marks.items()
            }
            return {name: at for name, at in other.items() if name in LANDMARKS}
        if case == "too_far_off":
            return marks | {
                "far left corner": [marks["far left corner"][0] + 60, marks["far left corner"][1]]
            }
        if case == "outside":
            return marks | {"near left corner": [-2000, 900]}
        assert case == "twice"
        return marks | {"far left corner": marks["far right corner"]}

    @pytest.mark.parametrize(
        ("case", "sentence"),
        [
            ("too_few", "Four landmarks are needed"),
            ("in_a_line", "too nearly in one line"),
            ("left_right", "left and right are exchanged"),
            ("turned", "near and far are exchanged"),
            ("too_far_off", "The far left corner lies "),
            ("outside", "Too far outside the picture: near left corner"),
            ("twice", "On one and the same place: far left corner, far right corner"),
        ],
    )
    def test_what_no_court_fits(self, film: Film, coach: Any, case: str, sentence: str) -> None:
        with pytest.raises(ValidationError) as error:
            services.place_court(by=coach, film=film, **sent(landmarks=self.landmarks(case)))
        assert sentence in words_of(error)
        assert not CourtView.objects.exists()

    def test_every_refusal_of_the_geometry_has_its_own_sentence(self) -> None:
        codes = ["too_few", "in_a_line", "mirrored", "too_far_off", "outside", "not_numbers", "twice"]
        said = [court_words.refusal(CourtError(code, {"indices": [0, 1]}), list(LANDMARKS)) for code in codes]
        assert len(set(said)) == len(codes)
        assert not any("No court fits" in sentence for sentence in said)
        assert "No court fits" in court_words.refusal(CourtError("something new"), [])

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("far left corner", "far right corner"),
            ("near left service", "near right service"),
            # The likeliest court with these is one in a mirror, but it does not fit.
            ("near centre", "left post"),
            ("far left corner", "near right service"),
        ],
    )
    def test_two_that_were_named_for_each_other(self, film: Film, coach: Any, one: str, other: str) -> None:
        marks = seen()
        marks |= {one: marks[other], other: marks[one]}
        with pytest.raises(ValidationError) as error:
            services.place_court(by=coach, film=film, **sent(landmarks=marks))
        names = court_words.landmark(one), court_words.landmark(other)
        assert f"The {names[0]} and the {names[1]} have changed places: set both anew." in words_of(error)

    def test_one_slip_is_told_with_how_far_it_lies_off(self) -> None:
        def told(code: str, **facts: Any) -> str:
            return court_words.refusal(CourtError(code, facts), list(LANDMARKS))

        first = court_words.landmark(next(iter(LANDMARKS)))
        assert f"The {first} lies 1.4 m from where" in told("too_far_off", rms_m=0.4, index=0, off_m=1.4)
        assert f"Without the {first} the others" in told("too_far_off", rms_m=0.4, index=0)
        crossed = told("mirrored", how="crossed", indices=[4, 5], index=0, off_m=30.0)
        assert f"The {first} lies many metres from where" in crossed
        assert "Two of them have changed places" in told("mirrored", how="crossed", indices=[4, 5])

    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"state": "arrived", "duration_s": None}, "still being read"),
            ({"state": "refused", "duration_s": None}, "could not be read"),
            ({"state": "gone", "gone_at": timezone.now(), "gone_why": "rule"}, "has been deleted"),
        ],
    )
    def test_a_film_without_a_picture(
        self, chain: Any, coach: Any, fields: dict[str, Any], sentence: str
    ) -> None:
        with pytest.raises(ValidationError, match=sentence):
            services.place_court(by=coach, film=make_film(chain.match, **fields), **sent())

    def test_a_film_on_a_coachs_disk_has_a_court_too(self, chain: Any, coach: Any) -> None:
        film = make_film(chain.match, state="away", slices="a" * 64, digest="")
        services.place_court(by=coach, film=film, **sent(looked=True))
        assert film.court_views.get().looked_by == coach


class TestCopying:
    @pytest.fixture
    def place(self, film: Film, coach: Any) -> CameraPlace:
        place = services.save_camera(by=coach, club=film.club, name="  Court 1,   pole ", words=" north ")
        assert (place.name, place.words, place.made_by) == ("Court 1, pole", "north", coach)
        services.set_camera(by=coach, film=film, camera=place)
        services.place_court(by=coach, film=film, **sent(looked=True))
        return place

    def next_film(self, chain: Any, place: CameraPlace | None, **fields: Any) -> Film:
        later = timezone.now() + timedelta(minutes=1)
        return make_film(chain.match, camera=place, digest="e" * 64, **{"uploaded_at": later, **fields})

    def test_the_view_of_the_last_film_and_nobody_has_looked_yet(
        self, chain: Any, film: Film, coach: Any, place: CameraPlace
    ) -> None:
        other = self.next_film(chain, place, strip=[1.5])
        view = services.copy_court(by=coach, film=other)
        source = film.court_views.get()
        assert view.landmarks == source.landmarks
        assert (view.copied_from, view.looked_by, view.looked_at) == (source, None, None)
        assert (view.from_s, view.at_s) == (0, 1.5)
        assert actions()[-1] == "court.copied"
        looked = services.place_court(by=coach, film=other, **sent(landmarks=view.landmarks, looked=True))
        assert looked.copied_from is None

    def test_a_picture_of_another_size_takes_the_landmarks_in_its_own_pixels(
        self, chain: Any, film: Film, coach: Any, place: CameraPlace
    ) -> None:
        other = self.next_film(chain, place, width=1920, height=1080)
        view = services.copy_court(by=coach, film=other)
        before = film.court_views.get().landmarks["left post"]
        assert view.landmarks["left post"] == pytest.approx([1.5 * part for part in before], abs=0.01)
        assert (view.width, view.height) == (1920, 1080)
        spot = CAMERA.project([1.0, -3.0, 0.0]) * 1.5
        told = court_reading.spots(court_reading.fit_of_view(view), [spot])[0]
        assert math.hypot(told["x"] - 1, told["y"] + 3) < 0.15

    def test_another_shape_is_refused(self, chain: Any, coach: Any, place: CameraPlace) -> None:
        other = self.next_film(chain, place, width=960, height=720)
        with pytest.raises(
            ValidationError, match="1280 × 720 pixels, that of this one 960 × 720: another shape"
        ):
            services.copy_court(by=coach, film=other)
        assert not other.court_views.exists()

    def test_how_the_last_film_ended_not_how_an_older_one_began(
        self, chain: Any, film: Film, coach: Any, place: CameraPlace
    ) -> None:
        middle = self.next_film(chain, place)
        services.place_court(by=coach, film=middle, **sent())
        moved = services.place_court(
            by=coach, film=middle, **sent(from_s=9, at_s=10, landmarks=clicked(seed=5))
        )
        last = self.next_film(chain, place, uploaded_at=timezone.now() + timedelta(hours=1))
        assert services.copy_court(by=coach, film=last).copied_from == moved

    def test_what_cannot_be_copied(self, chain: Any, film: Film, coach: Any, place: CameraPlace) -> None:
        with pytest.raises(ValidationError, match="has a court view already"):
            services.copy_court(by=coach, film=film)
        elsewhere = self.next_film(chain, None)
        with pytest.raises(ValidationError, match="No other film from this camera place"):
            services.copy_court(by=coach, film=elsewhere)

    def test_places_have_a_name_once_and_belong_to_their_club(
        self, chain: Any, film: Film, coach: Any, place: CameraPlace
    ) -> None:
        with pytest.raises(ValidationError, match="of this name is there already"):
            services.save_camera(by=coach, club=film.club, name="Court 1, pole")
        with pytest.raises(ValidationError):
            services.save_camera(by=coach, club=film.club, name=" ")
        with pytest.raises(ValidationError):
            services.save_camera(by=coach, club=film.club, name="x" * 81)
        foreign = CameraPlace.objects.create(club=chain.cast.other_club, name="Court 1, pole")
        with pytest.raises(ValidationError, match="another club"):
            services.set_camera(by=coach, film=film, camera=foreign)
        with pytest.raises(ValidationError, match="another club"):
            services.save_camera(by=coach, club=film.club, name="Mine", place=foreign)
        services.save_camera(by=coach, club=film.club, name="Court 2", words="", place=place)
        assert film.camera == CameraPlace.objects.get(club=film.club)
        services.remove_camera(by=coach, place=place)
        film.refresh_from_db()
        assert film.camera is None
        assert film.court_views.exists()


class TestReading:
    def fit(self) -> Any:
        return court_reading.fit_of(clicked(), 1280, 720)

    @pytest.mark.parametrize("place", [(-3.5, -6.0), (0.0, -3.0), (2.0, 4.0), (4.0, 8.0)])
    def test_a_foot_in_metres(self, place: tuple[float, float]) -> None:
        told = court_reading.spots(self.fit(), [CAMERA.project([*place, 0.0])])[0]
        assert math.hypot(told["x"] - place[0], told["y"] - place[1]) < 0.3
        assert told["inside"]
        half = "near" if place[1] < 0 else "far"
        assert f"from the net on the {half} half, give or take" in told["words"]
        assert told["covariance"][0][1] == told["covariance"][1][0]

    def test_words_of_spots(self) -> None:
        assert court_words.spot(-1.1, -3.42, 0.05, 0.2) == (
            "3.4 m from the net on the near half, give or take 0.3 m; 1.1 m left of the middle, give or take 0.1 m"
        )
        assert court_words.spot(0.01, 0.02, 0.4, 0.4).startswith(
            "under the net, give or take 0.5 m; on the middle"
        )
        assert "2 m right of the middle" in court_words.spot(2, 5, 0.1, 0.1)
        sky, behind = court_reading.spots(self.fit(), [[640, 5], CAMERA.project([0.0, 14.0, 0.0])])
        assert (sky["x"], sky["inside"]) == (None, False)
        assert "not on the floor" in sky["words"]
        assert "outside the court" in behind["words"]

    def test_a_landmark_that_stands_out_is_named(self, film: Film) -> None:
        marks = seen()
        marks["far left corner"] = [marks["far left corner"][0] - 14, marks["far left corner"][1]]
        told = court_reading.told(court_reading.fit_of(marks, 1280, 720), marks, film)
        assert told["worst"].startswith("The far left corner is ")
        assert "look at it again" in told["worst"]
        good = court_reading.told(self.fit(), clicked(), film)
        assert good["worst"] == ""

    def test_four_landmarks_do_not_check_each_other(self, film: Film) -> None:
        four = {
            name: seen()[name]
            for name in ("near left service", "near right service", "left post", "far right corner")
        }
        told = court_reading.told(court_reading.fit_of(four, 1280, 720), four, film)
        assert "a fifth shows" in told["count"]
        assert "the bend of the lens stays unknown" in told["count"]
        assert {row["name"] for row in told["landmarks"]} == set(four)
        for name, place in told["expected"].items():
            assert math.dist(place, seen()[name]) < 3

    @pytest.mark.parametrize(("n", "rough"), [(4, True), (5, True), (6, False), (8, False)])
    def test_fewer_than_six_landmarks_leave_the_lens_unknown(self, n: int, rough: bool) -> None:
        assert ("the lens stays unknown" in court_words.count(n)) is rough

    def test_lines_are_drawn_where_the_camera_sees_them(self) -> None:
        lines = court_plan.lines_in_picture(court_reading.fit_of(seen(), 1280, 720))
        names = {line["name"] for line in lines}
        assert {"far back", "near service", "far service", "left side", "right side", "net foot"} <= names
        assert "near back" not in names, "it lies below the picture"
        for line in lines:
            assert len(line["points"]) > 2
            for point in line["points"]:
                x, y = CAMERA.floor(point)
                off = {"far back": y - 10, "near service": y + 6.95, "far service": y - 6.95}
                off |= {"left side": x + 5, "right side": x - 5, "net foot": y}
                assert abs(off.get(line["name"], x)) < 0.15, line["name"]

    def test_zones_say_less_of_the_far_half(self, film: Film) -> None:
        told = court_reading.told(self.fit(), clicked(), film)
        zones = {row["zone"]: row for row in told["zones"]}
        assert list(zones) == ["near", "middle", "far"]
        assert zones["near"]["cm"] < zones["far"]["cm"]
        assert all(row["px"] is None or row["px"] < 5 for row in told["zones"])
        assert "near half" in told["zone_words"]
        assert "far half" in told["zone_words"]

    def test_what_can_be_judged_from_here_and_what_not(self, film: Film) -> None:
        high = court_reading.judged(self.fit(), film)
        assert high[0].startswith("From this place we can judge: Feet and ready, Lob, ")
        camera = Camera(1.6, 1.0, 90.0, 1280, 720, 10.0)
        low = court_reading.judged(court_reading.fit_of(seen(camera), 1280, 720), film)
        refused = [sentence for sentence in low if sentence.startswith("Not at the far end")]
        assert any("a click there is too rough" in sentence for sentence in refused), low
        assert "Lob in part" in low[0]
        sharper = make_film(film.match_films.get().match, width=1920, height=1080, digest="c" * 64)
        assert not any("1080p" in sentence for sentence in court_reading.judged(self.fit(), sharper))
        CheckListVersion.objects.filter(club=film.club).update(data={})
        assert court_reading.judged(self.fit(), film) == []
