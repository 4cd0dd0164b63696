"""Lists of a club for people with a spreadsheet: headings in their language, days and numbers as values.

Like every list that may be printed or sent around, they name a minor by initials; the reference tells who it is.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

from django.db.models import Count, F, Max, OuterRef, Prefetch, Subquery, Sum
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from clubcoach.models import Club
from clubcoach.validators import FORMULA
from players.consent import consent_states
from players.models import Player, Squad, Unit
from reports.exchange.workbook_cells import put
from reports.models import Homework, Score
from reports.roster import everybody, listed_name, listed_unit_name
from sessions.models import Attendance, Lesson

FORMS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
# What spreadsheets take for the beginning of a formula, also behind a tab or a line break.
BEGINS = (*FORMULA, "\t", "\r", "\n")
# Rows that are fetched at a time; the least width of a column, in characters.
AT_ONCE, WIDTH = 2_000, 12

Row = tuple[Any, ...]


@dataclass(frozen=True)
class PeopleList:
    """A list: its name, its columns in the reader's language, and its rows."""

    name: Any
    columns: Callable[[], list[str]]
    rows: Callable[[Club], Iterator[Row]]


def _ref(player: Player) -> str:
    return player.ref or str(player.uuid)


def _unit_ref(unit: Unit) -> str:
    return "+".join(_ref(player) for player in (unit.first, unit.second) if player)


class _Names:
    """Reference and listed name of the players of a club, worked out once for each."""

    def __init__(self, club: Club) -> None:
        self.club = club
        self.known: dict[int, tuple[str, str]] = {}

    def of(self, player: Player) -> tuple[str, str]:
        if player.pk not in self.known:
            player.club = self.club
            self.known[player.pk] = (_ref(player), listed_name(player))
        return self.known[player.pk]


def _yes(value: object) -> str:
    return _("yes") if value else _("no")


def roster_columns() -> list[str]:
    return [
        _("Reference"),
        _("Player"),
        _("Age of a minor"),
        _("Level"),
        _("Squads"),
        _("Hand"),
        _("Side"),
        _("May be filmed"),
        _("Account"),
    ]


def roster_rows(club: Club) -> Iterator[Row]:
    today = club.today()
    squads = Prefetch("squads", Squad.objects.filter(retired_on=None))
    players = list(everybody(club).prefetch_related(squads))
    consents = consent_states(players, club, today)
    for player in players:
        yield (
            _ref(player),
            listed_name(player),
            player.age_on(today) if player.is_minor(today) else None,
            player.level.name if player.level else None,
            "; ".join(squad.name for squad in player.squads.all()),
            player.get_hand_display(),
            player.get_side_display(),
            consents[player.pk].words,
            _yes(player.user_id),
        )


def score_columns() -> list[str]:
    return [
        _("Reference"),
        _("Player or pair"),
        _("Level"),
        _("Area"),
        _("Last looked at"),
        _("Score"),
        _("At least"),
        _("At most"),
        _("Checks seen"),
    ]


def score_rows(club: Club) -> Iterator[Row]:
    """The latest score of each player and pair in each area, of those who are in the programme."""
    now = Score.objects.filter(club=club, series=Score.Series.NOW)
    newest = now.filter(unit=OuterRef("unit"), area=OuterRef("area")).order_by("-day").values("day")[:1]
    latest = (
        now.annotate(newest=Subquery(newest))
        .filter(day=F("newest"), unit__first__active=True)
        .exclude(unit__second__active=False)
        .select_related("area", "unit__first__level", "unit__second__level")
        .order_by(
            "unit__kind", "unit__first__family_name", "unit__first__given_name", "unit", "area__position"
        )
    )
    for score in latest:
        unit = score.unit
        players = [player for player in (unit.first, unit.second) if player]
        for player in players:
            player.club = club
        yield (
            _unit_ref(unit),
            listed_unit_name(unit),
            "; ".join(dict.fromkeys(player.level.name for player in players if player.level)),
            score.area.name,
            score.day,
            round(score.score, 1),
            round(score.low, 1),
            round(score.high, 1),
            score.n,
        )


def homework_columns() -> list[str]:
    return [
        _("Week of"),
        _("Reference"),
        _("Player"),
        _("Drill"),
        _("For the focus point"),
        _("Times a week"),
        _("Times done"),
        _("Went well"),
        _("Tried"),
        _("Last done on"),
        _("Given by"),
        _("Taken back"),
    ]


def homework_rows(club: Club) -> Iterator[Row]:
    given = (
        Homework.objects.filter(player__club=club)
        .select_related("player", "drill", "focus", "given_by")
        .annotate(
            done=Count("logs"), good=Sum("logs__good"), tried=Sum("logs__tried"), last=Max("logs__done_on")
        )
        .order_by("week_of", "player__family_name", "player__given_name", "pk")
    )
    names = _Names(club)
    for row in given.iterator(AT_ONCE):
        yield (
            row.week_of,
            *names.of(row.player),
            row.drill.name,
            (row.focus.words or row.focus.cue) if row.focus else None,
            row.times,
            row.done,
            row.good,
            row.tried,
            row.last,
            row.given_by.name if row.given_by else None,
            _yes(row.withdrawn_at),
        )


def attendance_columns() -> list[str]:
    return [
        _("Day"),
        _("Begins"),
        _("Minutes"),
        _("Squad"),
        _("Coach"),
        _("Reference"),
        _("Player"),
        _("Came"),
    ]


def attendance_rows(club: Club) -> Iterator[Row]:
    """Lessons that have begun; one that was called off had nobody to come."""
    noted = (
        Attendance.objects.filter(lesson__club=club, lesson__starts_at__lte=timezone.now())
        .exclude(lesson__state=Lesson.State.CANCELLED)
        .select_related("player", "lesson__squad", "lesson__coach")
        .order_by("lesson__starts_at", "lesson", "player__family_name", "player__given_name", "pk")
    )
    names = _Names(club)
    for row in noted.iterator(AT_ONCE):
        lesson = row.lesson
        begins = lesson.starts_at.astimezone(club.zone)
        yield (
            begins.date(),
            begins.time().replace(second=0, microsecond=0),
            lesson.minutes,
            lesson.squad.name if lesson.squad else None,
            lesson.coach.name if lesson.coach else None,
            *names.of(row.player),
            row.get_state_display(),
        )


LISTS = {
    "roster": PeopleList(gettext_lazy("Roster"), roster_columns, roster_rows),
    "scores": PeopleList(gettext_lazy("Scores"), score_columns, score_rows),
    "homework": PeopleList(gettext_lazy("Homework"), homework_columns, homework_rows),
    "attendance": PeopleList(gettext_lazy("Attendance"), attendance_columns, attendance_rows),
}


def neutral(value: Any) -> Any:
    """A value as a CSV cell that no spreadsheet works out."""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(BEGINS) else value
    return value.isoformat("minutes") if isinstance(value, dt.time) else value


def as_csv(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    # Without a byte order mark spreadsheets take UTF-8 for the code page of their machine and break every accent.
    # Files that programs exchange have none: only people open these.
    text = io.StringIO("\N{ZERO WIDTH NO-BREAK SPACE}", newline="")
    text.seek(0, io.SEEK_END)
    writer = csv.writer(text)
    for row in chain([columns], rows):
        writer.writerow([neutral(value) for value in row])
    return text.getvalue().encode()


def as_xlsx(title: str, columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title[:31])
    sheet.freeze_panes = "A2"
    for n, name in enumerate(columns, 1):
        sheet.column_dimensions[get_column_letter(n)].width = max(len(name) + 3, WIDTH)
    heads = [put(WriteOnlyCell(sheet), name) for name in columns]
    for head in heads:
        head.font = Font(bold=True)
    sheet.append(heads)
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _cell(sheet: Any, value: Any) -> Any:
    if isinstance(value, str):
        # Control characters have no place in the file at all.
        text = ILLEGAL_CHARACTERS_RE.sub(" ", value)
        # A cell of its own is slow: only what would be taken for a formula or for an error needs one.
        return put(WriteOnlyCell(sheet), text) if text.startswith((*BEGINS, "#")) else text
    if isinstance(value, dt.time):
        cell = put(WriteOnlyCell(sheet), value)
        cell.number_format = "hh:mm"
        return cell
    return value
