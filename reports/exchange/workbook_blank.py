"""An empty workbook that a coach fills beside the court or at home, with the club's own lists to choose from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO, Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from openpyxl import Workbook
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.cell_range import MultiCellRange
from openpyxl.worksheet.datavalidation import DataValidation

from clubcoach.formatting import day
from clubcoach.models import Club
from players.lists import checks_of, current_list
from players.models import Level, Player
from reports.exchange.cells import FIRST_YEAR, LAST_YEAR
from reports.exchange.columns import (
    CHECKS,
    MATCHES,
    PLAYERS,
    RALLIES,
    SITUATIONS,
    Cell,
    Column,
    FileSpec,
)
from reports.exchange.workbook_cells import put
from reports.exchange.workbook_layout import BESIDE, GUIDE, LISTS, sheet_of

# Rows with drop-downs; below them the sheet may go on without.
ROWS = 2_000
BOLD, NEEDED = Font(bold=True), PatternFill("solid", fgColor="E8E4D8")
WIDE_CELLS = (Cell.NAME, Cell.NAMES, Cell.TEXT, Cell.EMAIL)
CHECK_TITLES = (
    gettext_lazy("check"),
    gettext_lazy("wording"),
    gettext_lazy("met when"),
    gettext_lazy("of area"),
)
# A spreadsheet would make a date of 3-1 and 7 of 007: what is a text stays one.
FORMATS = {Cell.DATE: "yyyy-mm-dd", Cell.NUMBER: "General", Cell.WHOLE: "General", Cell.FLAG: "General"}


class Offered:
    """The lists sheet: what a club has, in columns side by side, for drop-downs of the other sheets."""

    def __init__(self, sheet: Any) -> None:
        self.sheet = sheet
        self.width = 0
        self.ranges: dict[str, str] = {}

    def add(self, name: str, titles: Sequence[str], rows: Iterable[Sequence[str]]) -> int:
        """Columns under their titles; the first of them is what drop-downs named `name` offer. Returns its place."""
        place = self.width + 1
        count = 0
        widths = [len(title) for title in titles]
        for n, title in enumerate(titles):
            put(self.sheet.cell(1, place + n), title).font = BOLD
        for count, row in enumerate(rows, 1):
            for n, text in enumerate(row):
                put(self.sheet.cell(count + 1, place + n), text)
                widths[n] = max(widths[n], len(text))
        for n, width in enumerate(widths):
            self.sheet.column_dimensions[get_column_letter(place + n)].width = min(width + 3, 60)
        if count:
            letter = get_column_letter(place)
            self.ranges[name] = f"{LISTS}!${letter}$2:${letter}${count + 1}"
        # An empty column between two lists.
        self.width += len(titles) + 1
        return place


def blank_workbook(club: Club, path: str | Path | IO[bytes]) -> None:
    book = Workbook()
    guide = book.active
    assert guide is not None
    guide.title = GUIDE
    sheets = {
        spec.name: book.create_sheet(sheet_of(spec.name))
        for spec in (MATCHES, RALLIES, SITUATIONS, CHECKS, PLAYERS)
    }
    lists = book.create_sheet(LISTS)
    offered = Offered(lists)
    checks_from = _offer(offered, club)
    lists.freeze_panes = "A2"
    offered.ranges["match"] = f"{sheet_of(MATCHES.name)}!$A$2:$A${ROWS + 1}"
    for spec in (MATCHES, RALLIES, SITUATIONS, CHECKS, PLAYERS):
        _lay_out(sheets[spec.name], spec, offered, checks_from)
    _explain(guide, club)
    book.save(path)


def _offer(offered: Offered, club: Club) -> int | None:
    """Put the club's lists on their sheet; returns the column of areas that stands before that of checks."""
    players = Player.objects.filter(club=club, active=True).select_related("club")
    # The workbook goes along to the court: a minor is a given name and a reference.
    offered.add(
        "player", [_("player"), _("name")], ((row.ref or str(row.uuid), row.shown_name) for row in players)
    )
    offered.add("level", [_("level")], ((row.name,) for row in Level.objects.filter(club=club)))
    version = current_list(club)
    wordings = checks_of(version) if version else []
    areas = {row.check_identity.area_id: row.check_identity.area for row in wordings}
    offered.add(
        "area",
        [_("area"), _("name"), _("about")],
        ((area.code, area.name, _("A or B") if area.for_pair else _("1 to 4")) for area in areas.values()),
    )
    rows = [(row.check_identity.code, row.name, row.met, row.check_identity.area.code) for row in wordings]
    place = offered.add("check", [str(title) for title in CHECK_TITLES], rows)
    return place if rows else None


def _lay_out(sheet: Any, spec: FileSpec, offered: Offered, checks_from: int | None) -> None:
    columns = list(spec.columns)
    if spec is SITUATIONS:
        columns += [
            column for check, met in BESIDE for column in (Column(check, Cell.REF), Column(met, Cell.FLAG))
        ]
    letters = {column.name: get_column_letter(n) for n, column in enumerate(columns, 1)}
    for n, column in enumerate(columns, 1):
        head = put(sheet.cell(1, n), column.name)
        head.font = BOLD
        if column.needed:
            head.fill = NEEDED
        dimension = sheet.column_dimensions[letters[column.name]]
        dimension.width = max(len(column.name) + 3, 24 if column.cell in WIDE_CELLS else 9)
        dimension.number_format = FORMATS.get(column.cell, "@")
        rule = _rule(column, spec, offered, letters, checks_from)
        rule.sqref = MultiCellRange(f"{letters[column.name]}2:{letters[column.name]}{ROWS + 1}")
        sheet.add_data_validation(rule)
    # Whoever fills row 200 still sees which column is what, and which row it is.
    keys = sum(column.name in spec.key for column in columns[:3])
    sheet.freeze_panes = f"{get_column_letter(keys + 1)}2"


def _rule(
    column: Column, spec: FileSpec, offered: Offered, letters: dict[str, str], checks_from: int | None
) -> DataValidation:
    """What cells of the column offer and take. What other sheets may still add to, such as players, is only offered."""
    said = _("Needed in every row.") if column.needed else _("May stay empty.")
    if column.words or column.cell is Cell.FLAG:
        words = ",".join(column.words or ("1", "0"))
        return _taken(said, words.replace(",", ", "), type="list", formula1=f'"{words}"')
    if column.cell is Cell.DATE:
        days = {"formula1": f"DATE({FIRST_YEAR},1,1)", "formula2": f"DATE({LAST_YEAR},12,31)"}
        return _taken(said, _("a date"), type="date", operator="between", **days)
    if column.cell in (Cell.WHOLE, Cell.NUMBER) and column.least is not None and column.most is not None:
        kind = "whole" if column.cell is Cell.WHOLE else "decimal"
        least, most = f"{column.least:g}", f"{column.most:.0f}"
        bounds = _("a number from %(least)s to %(most)s") % {"least": least, "most": most}
        return _taken(said, bounds, type=kind, operator="between", formula1=least, formula2=most)
    source = _source(column.name, spec, offered, letters, checks_from)
    if source is None:
        return DataValidation(prompt=said, showInputMessage=True)
    return DataValidation(type="list", formula1=source, allow_blank=True, prompt=said, showInputMessage=True)


def _taken(said: str, what: str, **rule: Any) -> DataValidation:
    error = _("This cell takes %(what)s.") % {"what": what}
    return DataValidation(
        allow_blank=True,
        showErrorMessage=True,
        error=error,
        prompt=f"{said} {error}",
        showInputMessage=True,
        **rule,
    )


def _source(
    name: str, spec: FileSpec, offered: Offered, letters: dict[str, str], checks_from: int | None
) -> str | None:
    if name.startswith("player_") and spec is MATCHES:
        return offered.ranges.get("player")
    if name in ("level", "area"):
        return offered.ranges.get(name)
    if name == "analysis_ref" or (name == "match_ref" and spec is RALLIES):
        return offered.ranges["match"]
    if name.startswith("check"):
        return (
            _checks_of_area(letters["area"], checks_from)
            if spec is SITUATIONS
            else offered.ranges.get("check")
        )
    return None


def _checks_of_area(area: str, checks_from: int | None) -> str | None:
    """Only the checks of the row's area: they stand together, in the order in which they are looked for."""
    if checks_from is None:
        return None
    check, of_area = get_column_letter(checks_from), get_column_letter(checks_from + len(CHECK_TITLES) - 1)
    column = f"{LISTS}!${of_area}:${of_area}"
    return f"OFFSET({LISTS}!${check}$1,MATCH(${area}2,{column},0)-1,0,COUNTIF({column},${area}2),1)"


def _explain(sheet: Any, club: Club) -> None:
    sheet.column_dimensions["A"].width = 100
    title = put(sheet.cell(1, 1), _("Sheets for %(club)s") % {"club": club.name})
    title.font = Font(bold=True, size=14)
    sentences = (
        _(
            "Made on %(day)s. The sheet “lists” shows what the club had then: players, levels, areas and checks."
        )
        % {"day": day(club.today(), club)},
        _(
            "On “matches” write one row for each match. Give it a reference of your own, such as m1: the other sheets "
            "name the match by it. Positions 1 and 2 are pair A, 3 and 4 pair B; a visitor's stays empty."
        ),
        _(
            "On “situations” write one row for each situation, with the match's reference as analysis_ref. Count "
            "rallies from 1, and situations from 1 in each rally. “unit” is the position of the player, or A or B "
            "where a pair is looked at."
        ),
        _(
            "Beside it name up to four checks, and write 1 for met and 0 for not met. A check that was not seen "
            "stays without an answer. The sheet “checks” stays empty then; use it only to paste checks from elsewhere."
        ),
        _(
            "“rallies” may stay empty. Use it where you know who served, who won the rally, or its times in seconds."
        ),
        _("On “players” write only people who are not on “lists”, each with a new reference."),
        _(
            "Shaded columns are needed in every row. An empty cell means that nothing was recorded. Do not change the "
            "first row, and do not merge cells. Hidden and filtered rows are read as well."
        ),
        _("Save the workbook as .xlsx and bring it in on the page “Data” of the club."),
    )
    for n, sentence in enumerate(sentences, 3):
        put(sheet.cell(n, 1), sentence).alignment = Alignment(wrap_text=True, vertical="top")
