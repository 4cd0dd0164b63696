"""What happened on court, and what somebody saw in it."""

from sessions.models.analyses import Analysis, AnalysisComment, Analyst, Cover, Draw, LensArea
from sessions.models.clips import Clip
from sessions.models.films import CameraPlace, CourtView, Film, MatchFilm, Upload
from sessions.models.hearing import Hearing, RallyProposal
from sessions.models.lessons import Attendance, Lesson, LessonQuerySet
from sessions.models.marks import Closure, Mark, Op, Situation, Tally
from sessions.models.matches import EndedHow, Match, Rally, RallyEdit, Seat
from sessions.models.sheets import Hunch, SheetKeys, Spot

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
    "EndedHow",
    "Film",
    "Hearing",
    "Hunch",
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
    "SheetKeys",
    "Situation",
    "Spot",
    "Tally",
    "Upload",
]
