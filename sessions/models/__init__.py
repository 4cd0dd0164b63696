"""What happened on court, and what somebody saw in it."""

from sessions.models.analyses import Analysis, AnalysisComment, Analyst, Cover, Draw, LensArea
from sessions.models.clips import Clip
from sessions.models.films import CameraPlace, CourtView, Film, MatchFilm, Upload
from sessions.models.hearing import Hearing, RallyProposal
from sessions.models.lessons import Attendance, Lesson, LessonQuerySet
from sessions.models.marks import Closure, Mark, Op, Situation, Tally
from sessions.models.matches import Match, Rally, RallyEdit, Seat

__all__ = [
    "Analysis",
    "AnalysisComment",
    "Analyst",
    "Attendance",
    "CameraPlace",
    "Clip",
    "Closure",
    "CourtView",
    "Cover",
    "Draw",
    "Film",
    "Hearing",
    "LensArea",
    "Lesson",
    "LessonQuerySet",
    "Mark",
    "Match",
    "MatchFilm",
    "Op",
    "Rally",
    "RallyEdit",
    "RallyProposal",
    "Seat",
    "Situation",
    "Tally",
    "Upload",
]
