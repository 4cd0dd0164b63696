"""What happened on court, and what somebody saw in it."""

from sessions.models.analyses import Analysis, AnalysisComment, Analyst, Cover, Draw, LensArea
from sessions.models.clips import Clip
from sessions.models.lessons import Attendance, Lesson, LessonQuerySet
from sessions.models.marks import Closure, Mark, Op, Situation, Tally
from sessions.models.matches import Film, Match, MatchFilm, Rally, RallyEdit, Seat

__all__ = [
    "Analysis",
    "AnalysisComment",
    "Analyst",
    "Attendance",
    "Clip",
    "Closure",
    "Cover",
    "Draw",
    "Film",
    "LensArea",
    "Lesson",
    "LessonQuerySet",
    "Mark",
    "Match",
    "MatchFilm",
    "Op",
    "Rally",
    "RallyEdit",
    "Seat",
    "Situation",
    "Tally",
]
