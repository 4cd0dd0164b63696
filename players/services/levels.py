"""The club's levels: what they are called, what they expect, in which order they stand, and who has them."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from clubcoach.models import Club
from clubcoach.validators import formulas_in
from players.models import Area, Level, LevelStandard, Player, Squad

WORDS_MOST = 1000
FIELDS = ("name", "description")


@transaction.atomic
def add_level(*, by: Any, club: Club, name: str, description: str = "") -> Level:
    """A level after those that are there; it expects nothing until it has standards."""
    _begin(by, club)
    level = Level(club=club, position=_highest(club) + 1)
    _write(level, name, description)
    level.save()
    record(by=by, club=club, action="level.added", target=level, fields=FIELDS)
    return level


@transaction.atomic
def edit_level(
    *,
    by: Any,
    level: Level,
    name: str,
    description: str,
    standards: Mapping[Area, int | None] | None = None,
) -> Level:
    """Words and standards together or not at all. An area that is not named keeps its standard; None takes it away."""
    _begin(by, level.club)
    row = _again(level)
    scores = dict(standards or {})
    _refuse_standards(row.club, scores)
    changed = _write(row, name, description)
    if changed:
        row.save(update_fields=changed)
    if _put_standards(row, scores):
        changed.append("standards")
    if changed:
        record(by=by, club=row.club, action="level.changed", target=row, fields=changed)
    return row


@transaction.atomic
def move_level(*, by: Any, level: Level, up: bool) -> bool:
    """Change places with the neighbour: up is towards the first of the list. At the end nothing moves."""
    _begin(by, level.club)
    row = _again(level)
    rows = Level.objects.filter(club=row.club)
    if up:
        other = rows.filter(position__lt=row.position).order_by("-position").first()
    else:
        other = rows.filter(position__gt=row.position).order_by("position").first()
    if other is None:
        return False
    mine, theirs = row.position, other.position
    # Positions are unique at every moment: one steps aside before the other takes its place.
    for moved, place in ((row, _highest(row.club) + 1), (other, mine), (row, theirs)):
        moved.position = place
        moved.save(update_fields=["position"])
    record(by=by, club=row.club, action="level.moved", target=row, fields=["position"])
    return True


@transaction.atomic
def remove_level(*, by: Any, level: Level, move_to: Level | None = None) -> tuple[int, int]:
    """Take a level away. Players and squads that have it go to `move_to` first; returns how many of each went."""
    _begin(by, level.club)
    row = _again(level)
    if move_to is not None and move_to.club_id != row.club_id:
        raise ValidationError({"move_to": _("This is no level of the club.")})
    if move_to is not None and move_to.pk == row.pk:
        raise ValidationError({"move_to": _("Choose another level than the one that goes.")})
    players, squads = who_has(row)
    if (players or squads) and move_to is None:
        raise ValidationError({"move_to": used_words(row, players, squads)})
    if move_to is not None and (players or squads):
        target = _again(move_to)
        Player.objects.filter(level=row).update(level=target)
        Squad.objects.filter(level=row).update(level=target)
        record(by=by, club=row.club, action="level.players_moved", target=target, fields=["level"])
    record(by=by, club=row.club, action="level.removed", target=row, fields=FIELDS)
    row.delete()
    return players, squads


def who_has(level: Level) -> tuple[int, int]:
    """How many players, those who left among them, and how many squads have the level."""
    return Player.objects.filter(level=level).count(), Squad.objects.filter(level=level).count()


def used_words(level: Level, players: int, squads: int) -> str:
    counts = []
    if players:
        counts.append(ngettext("%(n)d player", "%(n)d players", players) % {"n": players})
    if squads:
        counts.append(ngettext("%(n)d squad", "%(n)d squads", squads) % {"n": squads})
    return _("“%(level)s” is the level of %(who)s. Say which level they get instead.") % {
        "level": level.name,
        "who": _(" and ").join(counts),
    }


def _begin(by: Any, club: Club) -> None:
    viewer_of(by, club).must(Can.EDIT_LISTS)
    # Names and positions are unique in a club: two people who change levels at once go one after the other.
    Club.objects.select_for_update().get(pk=club.pk)


def _again(level: Level) -> Level:
    row = Level.objects.select_related("club").filter(pk=level.pk).first()
    if row is None:
        raise ValidationError(_("Somebody removed this level a moment ago. Reload the page."))
    return row


def _highest(club: Club) -> int:
    return Level.objects.filter(club=club).aggregate(last=Max("position"))["last"] or 0


def _write(level: Level, name: str, description: str) -> list[str]:
    """Put the words on the level; returns what differs, refuses before anything is saved."""
    said = {"name": " ".join(name.split()), "description": description.strip()}
    problems: dict[str, Any] = {}
    most = Level._meta.get_field("name").max_length or 0
    if not said["name"]:
        problems["name"] = _("Give the level a name.")
    elif len(said["name"]) > most:
        problems["name"] = _("A name of %(most)d letters at most.") % {"most": most}
    elif Level.objects.filter(club_id=level.club_id, name__iexact=said["name"]).exclude(pk=level.pk).exists():
        problems["name"] = _("The club has a level of this name.")
    if len(said["description"]) > WORDS_MOST:
        problems["description"] = _("Say it in %(most)d letters at most.") % {"most": WORDS_MOST}
    changed = [field for field, value in said.items() if getattr(level, field) != value]
    problems |= formulas_in({field: said[field] for field in changed})
    if problems:
        raise ValidationError(problems)
    for field in changed:
        setattr(level, field, said[field])
    return changed


def standard_field(area: Area) -> str:
    """The name under which a refusal of an area's standard is told."""
    return f"standard-{area.code}"


def _refuse_standards(club: Club, scores: Mapping[Area, int | None]) -> None:
    problems = {}
    for area, score in scores.items():
        if area.club_id != club.pk:
            problems[standard_field(area)] = _("This is no area of the club.")
        elif score is not None and not (type(score) is int and 0 <= score <= 100):
            problems[standard_field(area)] = _("A standard lies between 0 and 100.")
    if problems:
        raise ValidationError(problems)


def _put_standards(level: Level, scores: Mapping[Area, int | None]) -> bool:
    have = {row.area_id: row for row in LevelStandard.objects.filter(level=level)}
    changed = False
    for area, score in scores.items():
        row = have.get(area.pk)
        if score is None and row is not None:
            row.delete()
        elif score is not None and row is None:
            LevelStandard.objects.create(level=level, area=area, score=score)
        elif score is not None and row is not None and row.score != score:
            row.score = score
            row.save(update_fields=["score"])
        else:
            continue
        changed = True
    return changed
