"""Every address of the program with real objects in it, for tests that try them all."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.core.files.base import ContentFile
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone

from clubcoach.models import Invitation, Job
from players.models import Check, Drill, Goal, Note, Squad, Unit
from reports.exchange import shelf
from reports.models import Batch, FocusPoint, Homework, HomeworkLog, Parcel, Score, SharedFit
from sessions.models import (
    Analysis,
    AnalysisComment,
    Attendance,
    CameraPlace,
    Closure,
    CourtView,
    Cover,
    Film,
    Hearing,
    Hunch,
    Lesson,
    Mark,
    MatchFilm,
    RallyProposal,
    Spot,
    Tally,
    Upload,
)
from tests import factories as make
from tests.sessions.court_scene import seen


@dataclass(frozen=True)
class Route:
    path: str  # "c/<slug:slug>/desk/"
    name: str
    view: Any

    @property
    def in_club(self) -> bool:
        return self.path.startswith("c/<slug:slug>/")

    @property
    def api(self) -> bool:
        return "/api/v1/" in self.path or self.path.startswith("api/")

    @property
    def rights(self) -> dict[str, frozenset[str]] | None:
        """Right by method as the view declares them; None where it declares nothing."""
        cls = getattr(self.view, "cls", None) or getattr(self.view, "view_class", None)
        if cls is not None:
            declared = getattr(cls, "rights", None)
            if declared is None:
                return None
            return {m: frozenset(r if isinstance(r, tuple) else (r,)) for m, r in declared.items()}
        pages = getattr(self.view, "club_rights", None)
        return None if pages is None else {"GET": pages, "POST": pages}


def routes(patterns: Any = None, prefix: str = "", names: str = "") -> Iterator[Route]:
    for pattern in patterns if patterns is not None else get_resolver().url_patterns:
        path = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            inner = f"{names}{pattern.namespace}:" if pattern.namespace else names
            yield from routes(pattern.url_patterns, path, inner)
        elif isinstance(pattern, URLPattern):
            yield Route(path, names + (pattern.name or ""), pattern.callback)


def build_world(club: Any, *, coach: Any, analyst: Any, player: Any, other: Any, mark: str) -> dict[str, Any]:
    """One row of everything in a club, every text of it carrying ``mark``; keyed as addresses name them."""
    level = player.level
    if level:
        level.description = f"description {mark}"
        level.save(update_fields=["description"])
    match = make.make_match(club, [player, other, None, None], ref=f"ref-{mark}")
    film = Film(club=club, name=f"film {mark}.webm", size=1000, digest=f"{mark:0<64}"[:64], state="ready")
    film.duration_s, film.strip = 60, [1.0]
    film.file.save("walk.webm", ContentFile(b"\x1aE\xdf\xa3" + b"0" * 996), save=False)
    film.save()
    MatchFilm.objects.create(match=match, film=film)
    film.camera = CameraPlace.objects.create(club=club, name=f"camera {mark}", words=f"pole {mark}")
    film.save(update_fields=["camera"])
    CourtView.objects.create(
        film=film, width=1280, height=720, landmarks=seen(), rms_px=1, rms_m=0.05, placed_by=coach
    )
    hearing = Hearing.objects.create(
        film=film, verdict="poor", reasons=["neighbour"], hits=[[3.0, "racket", 0.9], [5.0, "racket", 0.4]]
    )
    for start_s, state in ((3.0, "open"), (20.0, "dismissed")):
        RallyProposal.objects.create(
            hearing=hearing, start_s=start_s, end_s=start_s + 5, confidence=0.6, state=state
        )
    upload = Upload.objects.create(club=club, match=match, by=coach, name=f"on its way {mark}.webm", length=5)
    for person in (player, other):
        make.consent(person, purpose=f"purpose {mark}", given_by=coach)
        if person.is_minor():
            make.consent(person, "guardian", purpose=f"purpose {mark}", given_by=coach)
    unit = Unit.objects.get(first=player, kind="player")
    rally = make.make_rally(match, reason=f"reason {mark}")
    area = club.areas.get(code="feet")
    check = Check.objects.get(club=club, code="F1")
    published = make.make_analysis(
        match,
        analyst=analyst,
        units=[unit],
        state=Analysis.State.PUBLISHED,
        published_at=timezone.now(),
        words=f"words {mark}",
    )
    Cover.objects.filter(analysis=published).update(current=True)
    situation = make.make_situation(published, rally, unit, area, note=f"note {mark}")
    Mark.objects.create(situation=situation, check_identity=check, value="missed")
    stood = Check.objects.get(club=club, code="F5")
    Spot.objects.create(
        situation=situation,
        check_identity=stood,
        film=film,
        at_s=20,
        u=0.5,
        v=0.6,
        x_m=0.2,
        y_m=-4.0,
        var_x=0.01,
        cov_xy=0.0,
        var_y=0.01,
    )
    Closure.objects.create(analysis=published, rally=rally, area=area, situations=1)
    Tally.objects.create(
        analysis=published,
        unit=unit,
        day=match.played_on,
        check_identity=check,
        analyst=published.analyst,
        ball="normal",
        seen=1,
        met=0,
    )
    pair = Unit.objects.pair_of(player, other)
    working = make.make_analysis(match, analyst=analyst, units=[pair], state=Analysis.State.IN_PROGRESS)
    AnalysisComment.objects.create(analysis=working, by=coach, text=f"comment {mark}")
    for analysis in (published, working):
        Hunch.objects.create(analysis=analysis, position=1, text=f"hunch {mark}", area=area, by=analyst)
    drill = Drill.objects.create(
        club=club,
        code=f"drill-{mark}",
        name=f"drill {mark}",
        stage="shadow",
        place="home",
        minutes=5,
        dose=f"dose {mark}",
        passing=f"passing {mark}",
        steps=[f"step {mark}"],
        cautions=[f"caution {mark}"],
    )
    drill.areas.add(area)
    drill.checks.add(check)
    focus = FocusPoint.objects.create(
        unit=unit,
        check_identity=check,
        words=f"focus {mark}",
        cue=f"cue {mark}",
        seen=20,
        met=5,
        low=0.1,
        high=0.4,
        standard=0.6,
        analysis=published,
        started_on=date(2026, 9, 2),
    )
    homework = Homework.objects.create(player=player, drill=drill, focus=focus, week_of=club.today())
    HomeworkLog.objects.create(homework=homework, done_on=club.today(), good=8, tried=10)
    fit = SharedFit.objects.create(club=club, shared={})
    for series in ("now", "then"):
        Score.objects.create(
            club=club,
            unit=unit,
            area=area,
            series=series,
            day=match.played_on,
            score=40,
            low=30,
            high=50,
            n=30,
            fit=fit,
        )
    Goal.objects.create(unit=unit, area=area, target=70, due_on=date(2027, 1, 1), set_by=coach)
    squad = Squad.objects.create(club=club, name=f"squad {mark}", level=level, coach=coach)
    squad.players.add(player)
    lesson = Lesson.objects.create(
        club=club,
        squad=squad,
        coach=coach,
        starts_at=timezone.now() - timedelta(hours=2),
        court=f"court {mark}",
        plan=f"plan {mark}",
    )
    Attendance.objects.create(lesson=lesson, player=player)
    note = Note.objects.create(unit=unit, by=coach, text=f"note {mark}", for_players=True)
    job = Job.objects.create(kind="score.club", club=club, asked_by=analyst, note=f"job {mark}")
    batch = Batch.objects.create(
        club=club,
        by=coach,
        name=f"sheets {mark}.zip",
        state=Batch.State.REFUSED,
        problems=[["matches.csv", 2, "played_on", f"value {mark}", f"reason {mark}"]],
        problem_count=1,
    )
    parcel = Parcel.objects.create(
        club=club, by=coach, kind="scores", expires_at=timezone.now() + timedelta(days=7)
    )
    parcel.file = f"{parcel.uuid}/1/{mark}.csv"
    parcel.save(update_fields=["file"])
    shelf.place(parcel.file).parent.mkdir(parents=True)
    shelf.place(parcel.file).write_text(f"scores {mark}")
    _invitation, secret = Invitation.issue(
        club=club, email=f"{mark}@example.org", role="student", invited_by=coach
    )
    return {
        "matches": match.uuid,
        "films": film.uuid,
        "uploads": upload.uuid,
        "analyses": working.uuid,
        "published": published.uuid,
        "situations": situation.pk,
        "people": player.uuid,
        "players": player.uuid,
        "padel": player.uuid,
        "guardians": 0,
        "homework": homework.uuid,
        "focus": focus.pk,
        "drills": drill.code,
        "jobs": job.uuid,
        "in": batch.uuid,
        "out": parcel.uuid,
        "invitation": secret,
        "goals": 0,
        "levels": level.pk if level else 0,
        "squads": squad.pk,
        "units": unit.pk,
        "notes": note.pk,
        "strip": 1000,
        "lessons": lesson.uuid,
    }


PART = re.compile(r"<(?:(?P<converter>[^:>]+):)?(?P<name>[^>]+)>")


def address(route: Route, slug: str, world: dict[str, Any]) -> str:
    """The route with real objects in it: each placeholder is filled by the word before it in the path."""
    parts = []
    before = ""
    for part in route.path.split("/"):
        found = PART.fullmatch(part)
        if found is None:
            parts.append(part)
            before = part or before
        elif found["name"] == "slug" and before == "c":
            parts.append(slug)
        elif before in world:
            parts.append(str(world[before]))
        else:
            raise LookupError(f"the walk has no object for {part} after {before!r} in {route.path}")
    return "/" + "/".join(parts)
