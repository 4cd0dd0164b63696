"""What decisions about heard rallies teach about how a court sounds from where a camera stands.

A hit is kept as `[seconds, kind, confidence, level, strength, shape]`: the last three are what learning looks back at,
long after the film was heard. All decisions about a film teach together, old and new ones, since what was dropped says
something only beside what was kept. A camera place keeps what was learnt, and up to which decision (`learnt_at`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db.models import Max, QuerySet
from django.utils.dateparse import parse_datetime

from clubcoach.compute.onsets import Onsets
from clubcoach.compute.rallies import CourtSound, Heard, Hits, learn
from sessions.models import Film, Hearing, RallyProposal

State = RallyProposal.State
Span = tuple[float, float]


@dataclass(frozen=True)
class Lesson:
    """What a film is heard with; `sound` is what its camera place is to keep, None where nothing new was learnt."""

    court: CourtSound | None
    sound: dict[str, Any] | None = None


def lesson_of(film: Film) -> Lesson:
    """What is known of the film's court, with every decision since about other films from there taken in."""
    kept = (film.camera.sound or {}) if film.camera else {}
    court = CourtSound.from_dict(kept) if "shape" in kept else None
    # What was merely heard would feed its own errors.
    lesson = Lesson(court if court is not None and court.taught else None)
    for hearing in _decided(film, _learnt_at(film)).exclude(film=film.pk):
        lesson = _more(film, lesson, hearing, onsets_of(hearing))
    return lesson


def lesson_with(film: Film, lesson: Lesson, heard: Heard) -> Lesson:
    """With what was decided about the film itself, which is looked for among all its blows, heard a moment ago."""
    for hearing in _decided(film, _learnt_at(film)).filter(film=film.pk):
        lesson = _more(film, lesson, hearing, heard.onsets, heard.court)
    return lesson


def _more(film: Film, lesson: Lesson, hearing: Any, onsets: Onsets, like: CourtSound | None = None) -> Lesson:
    court = _taught(lesson.court, hearing, onsets, like)
    if court is None or court is lesson.court or not court.taught:
        return lesson
    if film.camera is None:
        return Lesson(court)
    before = parse_datetime((lesson.sound or {}).get("learnt_at") or "")
    latest = max(hearing.latest, before) if before else hearing.latest
    return Lesson(court, {**court.as_dict(), "learnt_at": latest.isoformat()})


def _learnt_at(film: Film) -> datetime | None:
    kept = (film.camera.sound or {}) if film.camera else {}
    return parse_datetime(kept.get("learnt_at") or "")


def _decided(film: Film, since: datetime | None) -> QuerySet[Any]:
    """Hearings about which something was decided since, in the order of the last decision."""
    films = {"film__camera": film.camera_id} if film.camera_id else {"film": film.pk}
    rows = Hearing.objects.filter(way=Hearing.Way.SOUND, **films)
    rows = rows.annotate(latest=Max("proposals__decided_at")).exclude(latest=None)
    return (rows.filter(latest__gt=since) if since else rows).order_by("latest")


def _taught(
    court: CourtSound | None, hearing: Hearing, onsets: Onsets, like: CourtSound | None
) -> CourtSound | None:
    if not len(onsets.t):
        return court
    kept: list[Span] = []
    dropped: list[Span] = []
    for row in hearing.proposals.all():
        span = (row.start_s, row.end_s)
        touched = row.by_hand or row.heard_start_s is not None
        if row.state == State.DISMISSED:
            # What somebody entered by hand and took back says nothing of the ear.
            dropped += [] if row.by_hand else [span]
        elif row.state == State.ACCEPTED or touched:
            kept.append(span)
    nothing = Hits(np.zeros(0), (), np.zeros(0))
    base = court or CourtSound.usual()
    heard = Heard(nothing, (), hearing.verdict, tuple(hearing.reasons), like or base, onsets)
    return learn(base, heard, kept, dropped)


def hits_of(heard: Heard) -> list[list[Any]]:
    """Hits as a hearing keeps them, each with level, strength and shape of its blow."""
    t = heard.onsets.t
    if not len(t) or not len(heard.hits):
        return []
    at = np.clip(np.searchsorted(t, heard.hits.t), 0, len(t) - 1)
    before = np.maximum(at - 1, 0)
    at = np.where(np.abs(t[before] - heard.hits.t) < np.abs(t[at] - heard.hits.t), before, at)
    return [
        [
            round(float(when), 3),
            kind,
            round(float(sure), 2),
            round(float(heard.onsets.level_db[k]), 1),
            round(float(heard.onsets.strength[k]), 1),
            [round(float(part), 1) for part in heard.onsets.shape[k]],
        ]
        for when, kind, sure, k in zip(heard.hits.t, heard.hits.kind, heard.hits.confidence, at, strict=True)
    ]


def onsets_of(hearing: Hearing) -> Onsets:
    """The blows of a hearing's hits; none of hits that were kept without their shape."""
    rows = [row for row in hearing.hits if len(row) >= 6]
    t, level_db, strength = np.array([[row[0], row[3], row[4]] for row in rows], float).reshape(-1, 3).T
    return Onsets(t, strength, level_db, np.array([row[5] for row in rows], float))
