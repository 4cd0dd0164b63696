"""Drills of the club's own: written, changed, copied; and the library that comes with the program brought in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils.text import slugify
from django.utils.translation import gettext as _

from clubcoach.access import Answer, Can, Refusal, Viewer, insist, viewer_of
from clubcoach.audit import record
from clubcoach.compute.checklist import validate_drills
from clubcoach.models import Club, User
from players.lists import default_data, install_drills
from players.models import Check, Drill

FIELDS = (
    "name",
    "stage",
    "place",
    "players_min",
    "players_max",
    "kit",
    "minutes",
    "dose",
    "passing",
    "overheads",
    "loads",
    "cautions",
    "steps",
    "court",
    "source",
)
# What the data file calls a field, and what the form calls it.
SAID_AT = {"pass": "passing", "players": "players_max", "areas": "checks"}
# Words of the addresses beside a drill's own.
TAKEN = {"new", "standard"}
CODE_LENGTH, NAME_LENGTH = 40, 120


def may_change(viewer: Viewer, drill: Drill) -> Answer:
    """The head coach changes every drill, other coaches those that they wrote."""
    if viewer.can(Can.EDIT_LISTS):
        return True
    if not viewer.can(Can.ADD_DRILLS):
        return viewer.can(Can.ADD_DRILLS)
    if drill.written_by_id == viewer.user.pk:
        return True
    return Refusal(
        _("Only the head coach and whoever wrote a drill change it. Copy it, and change the copy.")
    )


@transaction.atomic
def save_drill(
    *, by: User, club: Club, drill: Drill | None = None, checks: Iterable[Check], **fields: Any
) -> Drill:
    """Write a new drill, or change one; from then on it is the club's own and the library leaves it alone.

    The areas follow from the checks. What is wrong is said at the fields, all of it at once.
    """
    unknown = fields.keys() ^ set(FIELDS)
    if unknown:
        raise TypeError(f"not the fields of a drill: {', '.join(sorted(unknown))}")
    viewer = viewer_of(by, club)
    # Two new drills of one name would both take the same code.
    Club.objects.select_for_update().get(pk=club.pk)
    if drill is None:
        viewer.must(Can.ADD_DRILLS)
        row = Drill(club=club, code=_free_code(club, fields["name"]), written_by=by)
    else:
        row = Drill.objects.select_for_update().get(pk=drill.pk, club=club)
        insist(may_change(viewer, row))
    trained = list({check.pk: check for check in checks}.values())
    fields["source"] = fields["source"] or _("the club's own practice")
    changed = [name for name in FIELDS if getattr(row, name) != fields[name]]
    for name in changed:
        setattr(row, name, fields[name])
    _refuse(row, trained, club)
    other_checks = row.pk is None or set(row.checks.values_list("pk", flat=True)) != {c.pk for c in trained}
    if changed or other_checks:
        _write(row, trained, changed)
        action = "drill.added" if drill is None else "drill.changed"
        record(by=by, club=club, action=action, target=row, fields=[*changed, *(["checks"] * other_checks)])
    return row


def _write(row: Drill, trained: list[Check], changed: list[str]) -> None:
    row.own = True
    if row.pk is None:
        row.save()
    else:
        row.save(update_fields=[*changed, "own"])
    row.checks.set(trained)
    row.areas.set({check.area_id for check in trained})


@transaction.atomic
def copy_drill(*, by: User, drill: Drill) -> Drill:
    """A drill of the club's own that starts as another one; whoever copies it may change it."""
    club = drill.club
    viewer_of(by, club).must(Can.ADD_DRILLS)
    Club.objects.select_for_update().get(pk=club.pk)
    said = _("%(name)s (copy)")
    name = said % {"name": drill.name[: NAME_LENGTH - len(said % {"name": ""})].strip()}
    values = {field: getattr(drill, field) for field in FIELDS}
    row = Drill.objects.create(
        **values | {"name": name},
        club=club,
        code=_free_code(club, drill.name),
        own=True,
        copied_from=drill.code,
        written_by=by,
    )
    row.checks.set(drill.checks.all())
    row.areas.set(drill.areas.all())
    record(by=by, club=club, action="drill.copied", target=row, fields=["copied_from"])
    return row


@dataclass(frozen=True)
class BroughtIn:
    """What came of bringing in the standard library, in numbers of drills."""

    added: int
    updated: int
    left_own: int  # changed by the club, and left alone
    left_out: int  # for checks that the club's list does not have


@transaction.atomic
def bring_in_standard(*, by: User, club: Club) -> BroughtIn:
    """Add what the standard library has more, and bring unchanged drills of it up to date."""
    viewer_of(by, club).must(Can.EDIT_LISTS)
    Club.objects.select_for_update().get(pk=club.pk)
    data = default_data("drills")
    known = set(Check.objects.filter(club=club).values_list("code", flat=True))
    wanted = [row for row in data["drills"] if known.issuperset(row["checks"])]
    left_out = len(data["drills"]) - len(wanted)
    if not wanted:
        raise ValidationError(
            _("The club's check list has none of the checks that the standard drills train.")
        )
    before = _contents(club)
    drills = install_drills(by=by, club=club, data=data | {"drills": wanted})
    after = _contents(club)
    return BroughtIn(
        added=len(after.keys() - before.keys()),
        updated=sum(before[code] != after[code] for code in before.keys() & after.keys()),
        left_own=sum(drill.own for drill in drills),
        left_out=left_out,
    )


def _contents(club: Club) -> dict[str, tuple[Any, ...]]:
    """Everything that is said of each drill, to see which differ later."""
    trained: dict[int, set[int]] = {}
    for drill, check in Drill.checks.through.objects.filter(drill__club=club).values_list(
        "drill_id", "check_id"
    ):
        trained.setdefault(drill, set()).add(check)
    rows = Drill.objects.filter(club=club).values_list("pk", "code", "retired_on", *FIELDS)
    return {row[1]: (*row[2:], trained.get(row[0])) for row in rows}


def _free_code(club: Club, name: str) -> str:
    """A code for an address that no drill of the club has, retired ones included: logs and files name it."""
    base = slugify(name)[:CODE_LENGTH].strip("-_")
    if not base or not base[0].isalpha():
        base = f"drill-{base}"[:CODE_LENGTH].strip("-_")
    taken = TAKEN | set(Drill.objects.filter(club=club).values_list("code", flat=True))
    code, number = base, 1
    while code in taken:
        number += 1
        ending = f"-{number}"
        code = base[: CODE_LENGTH - len(ending)] + ending
    return code


def _refuse(row: Drill, trained: list[Check], club: Club) -> None:
    """Say at each field what the rules of the library, the plan or the columns find wrong with it."""
    told: dict[str, list[str]] = {}
    if any(check.club_id != club.pk for check in trained):
        told["checks"] = [_("This is no check of the club.")]
    area_of = {check.code: check.area.code for check in trained}
    data = {"code": "own", "version": 1, "source": "own", "drills": [_as_data(row, area_of)]}
    for problem in validate_drills(data, area_of, area_of=area_of):
        place, _colon, _rest = problem.where.removeprefix(f"drill {row.code}").lstrip(": ").partition(":")
        sentence = f"{_sentence(problem.what)} {_sentence(problem.what_to_do)}"
        told.setdefault(SAID_AT.get(place, place or "checks"), []).append(sentence)
    for field, messages in _misfits(row).items():
        told.setdefault(field, messages)
    if told:
        raise ValidationError(told)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _as_data(row: Drill, area_of: Mapping[str, str]) -> dict[str, Any]:
    same = ("code", "name", "stage", "place", "kit", "minutes", "dose", "overheads", "loads", "cautions")
    return {field: getattr(row, field) for field in (*same, "steps", "court", "source")} | {
        "checks": list(area_of),
        "areas": sorted(set(area_of.values())),
        "players": {"min": row.players_min, "max": row.players_max},
        "pass": row.passing,
    }


def _misfits(row: Drill) -> dict[str, list[str]]:
    """Texts longer than their columns, numbers out of their range."""
    unasked = [
        field.name
        for field in row._meta.concrete_fields
        if field.is_relation or isinstance(field, models.JSONField)
    ]
    try:
        row.clean_fields(exclude=unasked)
    except ValidationError as error:
        return error.message_dict
    return {}
