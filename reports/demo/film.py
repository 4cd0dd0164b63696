"""The demo's filmed matches: one published with everything the film shows, one half coded, one waiting."""

import uuid
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.files import File

from clubcoach.compute.checklist import asked_checks
from clubcoach.compute.court import LANDMARKS
from clubcoach.jobs import run_due
from players.models import Area, Check, Unit
from reports.demo import under_way
from reports.demo.scene import render_scene
from reports.demo.scene_frames import camera
from sessions.models import Analysis, Closure, Film, Mark, Match, Rally, Situation
from sessions.services import (
    add_film,
    copy_court,
    place_court,
    publish,
    request_analysis,
    save_camera,
    set_camera,
    submit,
)

if TYPE_CHECKING:
    from reports.demo.people import Cast

Say = Callable[[str], None]
HOME, AWAY = 0, 1
WORDS = (
    "Long rallies, and both pairs walk in together again and again: well done. Watch what happens when the feet land"
    " late: the hand is late, the ball floats, and the net is gone. Land as they hit, and the rest comes with it."
)


def add(cast: "Cast", new_match: Callable[..., Match], say: Say, *, now: datetime) -> None:
    """Draw the film once, upload it to both matches as a coach does, and publish what it shows for the first."""
    folder = settings.MEDIA_ROOT / "demo"
    folder.mkdir(parents=True, exist_ok=True)
    path, beside = folder / "scene.webm", folder / "scene.json"
    tenths: list[int] = []

    def tell(share: float) -> None:
        if int(share * 5) > len(tenths):
            tenths.append(1)
            say(f"drawing the film: {20 * len(tenths)} %")

    truth = render_scene(path, beside, progress=tell)
    today = cast.club.today(now)
    half, earlier, later = (new_match(cast, today - timedelta(days=n), HOME, AWAY, now) for n in (3, 2, 1))
    for match in (half, earlier, later):
        with path.open("rb") as film:
            upload = File(film, name="match.webm")
            add_film(by=cast.head_coach, match=match, upload=upload, offset_s=0.0, now=now)
    run_due()
    _place_court(cast, earlier, (half, earlier, later), now)
    _publish(cast, earlier, truth, now)
    run_due()
    _ask(cast, later, now)
    _leave_open(cast, later, now)
    copy_court(by=cast.assistants[0], film=match_film(half))
    under_way.add(cast, half, _units(cast)["1"], "1", truth, now=now)
    say("the filmed match is published; a second one waits for its analyst, a third is half coded")


def _place_court(cast: "Cast", earlier: Match, matches: Iterable[Match], now: datetime) -> None:
    """The court clicked into one film by a steady hand; the other films stand at the same place, unplaced."""
    place = save_camera(
        by=cast.head_coach,
        club=cast.club,
        name="Court 2, above the glass",
        words="On the bracket behind the near back wall, 3.5 m up, tilted until both near corners are in view",
    )
    for match in matches:
        set_camera(by=cast.head_coach, film=match_film(match), camera=place)
    film = match_film(earlier)
    stood = camera(film.width or 0, film.height or 0)
    landmarks = {}
    for name, (x, y) in LANDMARKS.items():
        u, v = (float(value) for value in stood.project([x, y, 0.0]))
        # A click falls on a whole pixel.
        if 0 <= u < stood.width and 0 <= v < stood.height_px:
            landmarks[name] = [float(round(u)), float(round(v))]
    place_court(
        by=cast.assistants[1],
        film=film,
        from_s=0.0,
        at_s=film.strip[0] if film.strip else 0.0,
        width=stood.width,
        height=stood.height_px,
        landmarks=landmarks,
        looked=True,
        now=now,
    )


def match_film(match: Match) -> Film:
    return match.match_films.select_related("film__club").get().film


def _units(cast: "Cast") -> dict[str, Unit]:
    """The truth names players 1 to 4 and pairs A and B."""
    players = [*cast.pair_players(HOME), *cast.pair_players(AWAY)]
    units = {
        str(position): Unit.objects.get(first=player, kind=Unit.Kind.PLAYER)
        for position, player in enumerate(players, 1)
    }
    return units | {"A": cast.pairs[HOME], "B": cast.pairs[AWAY]}


def _ask(cast: "Cast", match: Match, now: datetime) -> Analysis:
    units = _units(cast)
    return request_analysis(
        by=cast.head_coach,
        match=match,
        units=[units["1"], units["2"], units["A"]],
        areas=Area.objects.filter(club=cast.club, code__in=["feet", "bandeja", "net"]),
        analyst=cast.assistants[0],
        due_on=cast.club.today(now) + timedelta(days=3),
        now=now,
    )


def _leave_open(cast: "Cast", match: Match, now: datetime) -> Analysis:
    """What nobody has been given yet, for whoever opens the head coach's desk."""
    units = _units(cast)
    return request_analysis(
        by=cast.head_coach,
        match=match,
        units=[units["3"], units["4"], units["B"]],
        areas=Area.objects.filter(club=cast.club, code__in=["bandeja", "net"]),
        due_on=cast.club.today(now) + timedelta(days=6),
        now=now,
    )


def _publish(cast: "Cast", match: Match, truth: dict[str, Any], now: datetime) -> None:
    units = _units(cast)
    areas = {area.code: area for area in Area.objects.filter(club=cast.club, on=True)}
    analyst = cast.assistants[1]
    analysis = request_analysis(
        by=cast.head_coach,
        match=match,
        units=list(units.values()),
        areas=list(areas.values()),
        analyst=analyst,
        now=now,
    )
    write_truth(analysis, _asked(analysis, truth), units, areas)
    submit(by=analyst, analysis=analysis, devices={}, now=now)
    publish(by=cast.head_coach, analysis=analysis, words=WORDS, now=now)


def _asked(analysis: Analysis, truth: dict[str, Any]) -> dict[str, Any]:
    """The truth knows more checks than the club's list asks."""
    situations = []
    for row in truth["situations"]:
        known = asked_checks(analysis.check_list.data, row["area"], row["end"], row["trigger"] or None)
        checks = {code: value for code, value in row["checks"].items() if code in known}
        situations.append({**row, "checks": checks})
    return {**truth, "situations": situations}


def write_truth(
    analysis: Analysis, truth: dict[str, Any], units: dict[str, Unit], areas: dict[str, Area]
) -> None:
    """The rows that an analyst who sees everything would leave."""
    rallies = {
        row["number"]: Rally.objects.create(
            uuid=uuid.uuid4(),
            match=analysis.match,
            number=row["number"],
            start_s=row["start_s"],
            end_s=row["end_s"],
            server=row["server"],
            winner=row["winner"],
            near_pair=row["near_pair"],
            side=row["side"],
        )
        for row in truth["rallies"]
    }
    checks = {check.code: check for check in Check.objects.filter(club=analysis.match.club)}
    for seen in truth["situations"]:
        situation = Situation.objects.create(
            uuid=uuid.uuid4(),
            analysis=analysis,
            rally=rallies[seen["rally"]],
            unit=units[seen["unit"]],
            area=areas[seen["area"]],
            hit_s=seen["hit_s"],
            end=seen["end"],
            trigger=seen["trigger"],
        )
        Mark.objects.bulk_create(
            Mark(situation=situation, check_identity=checks[code], value=value)
            for code, value in seen["checks"].items()
        )
    for number, rally in rallies.items():
        for code, area in areas.items():
            found = sum(row["rally"] == number and row["area"] == code for row in truth["situations"])
            Closure.objects.create(analysis=analysis, rally=rally, area=area, situations=found)
