"""Check lists, levels and drills from data into a club's rows; the same data twice changes nothing."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils.translation import gettext as _

from clubcoach.audit import record
from clubcoach.compute._datafile import Problem, is_text, is_whole
from clubcoach.compute.checklist import validate_check_list, validate_drills
from clubcoach.models import Club
from players.models import Area, Check, CheckListVersion, CheckWording, Drill, Level, LevelStandard

DATA = ("check_list", "levels", "drills")
WORDING_FIELDS = ("name", "met", "missed", "cue", "instant", "decides", "end", "trigger", "applies", "bounds")


def default_data(name: str) -> Any:
    """One of the files that a new club starts from: check_list, levels or drills."""
    if name not in DATA:
        raise LookupError(f"no default data {name!r}; there are {', '.join(DATA)}")
    return json.loads((settings.BASE_DIR / "fixtures" / f"{name}.json").read_text(encoding="utf-8"))


@transaction.atomic
def install_defaults(*, by: Any, club: Club) -> CheckListVersion:
    """Give a club the default check list, levels and drills."""
    version = install_check_list(by=by, club=club, data=default_data("check_list"))
    install_levels(by=by, club=club, data=default_data("levels"))
    install_drills(by=by, club=club, data=default_data("drills"))
    return version


def current_list(club: Club) -> CheckListVersion | None:
    return CheckListVersion.objects.of(club).first()


def next_number(club: Club) -> int:
    return (CheckListVersion.objects.filter(club=club).aggregate(most=models.Max("number"))["most"] or 0) + 1


def checks_of(version: CheckListVersion) -> list[CheckWording]:
    """The wordings of a version with their check and area, in the order of the list; one query."""
    return list(
        CheckWording.objects.filter(version=version)
        .select_related("check_identity__area")
        .order_by("check_identity__area__position", "check_identity__phase", "pk")
    )


@transaction.atomic
def install_check_list(*, by: Any, club: Club, data: Any) -> CheckListVersion:
    """Make a list the club's next version, or say everything that is wrong with it."""
    _refuse(validate_check_list(data))
    # Two people who install at once would both take the same next number.
    Club.objects.select_for_update().get(pk=club.pk)
    latest = current_list(club)
    if latest is not None and latest.data == data:
        return latest
    areas = {row.code: row for row in Area.objects.filter(club=club)}
    checks = {row.code: row for row in Check.objects.filter(club=club).select_related("area")}
    _refuse(_changed_identities(data, areas, checks))
    version = CheckListVersion(club=club, number=next_number(club), name=data["code"], data=data)
    _fits(version, "check list")
    version.save()
    _put_areas(club, data, areas, latest.data if latest else {})
    _put_checks(club, data, areas, checks)
    _put_wordings(version, data, checks)
    record(by=by, club=club, action="check_list.installed", target=version)
    return version


def _changed_identities(
    data: Mapping[str, Any], areas: Mapping[str, Area], checks: Mapping[str, Check]
) -> list[Problem]:
    """A score counts marks of one check over years: its code may not come to mean something else."""
    problems = []
    advice = _("keep it, or give the new check a code of its own")
    for row in data["areas"]:
        area = areas.get(row["code"])
        if area and area.for_pair != (row["unit"] == "pair"):
            where = f"area {row['code']}: unit"
            problems.append(Problem(where, _("a known area may not change it"), advice))
    for row in data["checks"]:
        check = checks.get(row["code"])
        if check is None:
            continue
        known = {"area": check.area.code, "unit": check.unit, "kind": check.kind}
        for field, value in known.items():
            if row[field] != value:
                what = _("it was “%(old)s” and may not become “%(new)s”") % {"old": value, "new": row[field]}
                problems.append(Problem(f"check {row['code']}: {field}", what, advice))
    return problems


def _put_areas(
    club: Club, data: Mapping[str, Any], areas: dict[str, Area], before: Mapping[str, Any]
) -> None:
    defaults = {row["code"]: row["on_by_default"] for row in before.get("areas", ())}
    for row in data["areas"]:
        values = {
            "position": row["order"],
            "name": row["name"],
            "for_pair": row["unit"] == "pair",
            "trigger": row["trigger"],
            "key": row["key"],
            "ball_easy": row["ball"]["easy"],
            "ball_hard": row["ball"]["hard"],
        }
        # What the club switched on or off itself stays, until the list changes its mind about the area.
        if defaults.get(row["code"]) != row["on_by_default"]:
            values["on"] = row["on_by_default"]
        area = areas.setdefault(row["code"], Area(club=club, code=row["code"]))
        _put(area, values, f"area {row['code']}")
    listed = {row["code"] for row in data["areas"]}
    for code in areas.keys() - listed:
        _put(areas[code], {"on": False}, f"area {code}")


def _put_checks(
    club: Club, data: Mapping[str, Any], areas: Mapping[str, Area], checks: dict[str, Check]
) -> None:
    for row in data["checks"]:
        values = {
            "area": areas[row["area"]],
            "unit": row["unit"],
            "kind": row["kind"],
            "phase": row["phase"],
            "retired_on": None,
        }
        check = checks.setdefault(row["code"], Check(club=club, code=row["code"]))
        _put(check, values, f"check {row['code']}")
    today = club.today()
    for code in checks.keys() - {row["code"] for row in data["checks"]}:
        _put(checks[code], {"retired_on": checks[code].retired_on or today}, f"check {code}")


def _put_wordings(version: CheckListVersion, data: Mapping[str, Any], checks: Mapping[str, Check]) -> None:
    asked = {code for area in data["areas"] for codes in area["asked"].values() for code in codes}
    rows = []
    for row in data["checks"]:
        wording = CheckWording(
            version=version,
            check_identity=checks[row["code"]],
            asked=row["code"] in asked,
            **{field: row.get(field, "") for field in WORDING_FIELDS},
        )
        _fits(wording, f"check {row['code']}")
        rows.append(wording)
    CheckWording.objects.bulk_create(rows)


@transaction.atomic
def install_levels(*, by: Any, club: Club, data: Any) -> list[Level]:
    """Make the levels of a file the club's own. A level that the file does not name stays, after the named ones."""
    areas = {row.code: row for row in Area.objects.filter(club=club)}
    _refuse(_level_problems(data, areas))
    known = {row.name: row for row in Level.objects.filter(club=club)}
    wanted = sorted(data["levels"], key=lambda row: row["order"])
    named = {row["name"] for row in wanted}
    rest = sorted((row for name, row in known.items() if name not in named), key=lambda row: row.position)
    changed = _make_room([known.get(row["name"]) for row in wanted] + rest)
    levels = []
    for position, row in enumerate(wanted, 1):
        level = known.get(row["name"]) or Level(club=club, name=row["name"])
        values = {"position": position, "description": row["description"]}
        changed |= bool(_put(level, values, f"level {row['name']}"))
        changed |= _put_standards(level, {areas[code]: score for code, score in row["standards"].items()})
        levels.append(level)
    for position, level in enumerate(rest, len(wanted) + 1):
        changed |= bool(_put(level, {"position": position}, f"level {level.name}"))
    if changed:
        record(by=by, club=club, action="levels.installed", target=club)
    return levels


def _make_room(in_order: list[Level | None]) -> bool:
    """Positions are unique at every moment: before levels change places, all of them step aside."""
    known = [level for level in in_order if level is not None]
    if all(level is None or level.position == place for place, level in enumerate(in_order, 1)):
        return False
    aside = max([level.position for level in known] + [len(in_order)]) + 1
    for offset, level in enumerate(known):
        level.position = aside + offset
        level.save(update_fields=["position"])
    return True


def _put_standards(level: Level, wanted: Mapping[Area, int]) -> bool:
    have = {row.area_id: row for row in LevelStandard.objects.filter(level=level)}
    changed = False
    for area, score in wanted.items():
        standard = have.pop(area.pk, None) or LevelStandard(level=level, area=area)
        changed |= bool(_put(standard, {"score": score}, f"level {level.name}: {area.code}"))
    for standard in have.values():
        standard.delete()
    return changed or bool(have)


def _level_problems(data: Any, areas: Mapping[str, Area]) -> list[Problem]:
    rows = data.get("levels") if isinstance(data, Mapping) else None
    if not isinstance(rows, list) or not rows or not all(isinstance(row, Mapping) for row in rows):
        return [Problem("levels", _("it is not a list with entries"), _("add at least one level"))]
    problems = []
    for number, row in enumerate(rows, 1):
        where = f"level {row.get('name') or number}"
        if not is_text(row.get("name")) or not is_text(row.get("description")):
            problems.append(Problem(where, _("its name or description is missing"), _("write it")))
        if not is_whole(row.get("order")):
            problems.append(Problem(f"{where}: order", _("it is no whole number"), _("number the levels")))
        standards = row.get("standards")
        if not isinstance(standards, Mapping):
            problems.append(Problem(where, _("it has no standards"), _("give a score for each area")))
            continue
        for code, score in standards.items():
            if code not in areas:
                advice = _("correct it, or add the area to the check list first")
                problems.append(Problem(f"{where}: {code}", _("there is no such area"), advice))
            if not is_whole(score) or not 0 <= score <= 100:
                problems.append(Problem(f"{where}: {code}", _("it is no score"), _("use 0 to 100")))
    for field in ("name", "order"):
        values = [str(row.get(field)) for row in rows]
        if len(set(values)) < len(values):
            problems.append(Problem(f"levels: {field}", _("two levels share one"), _("rename one of them")))
    return problems


@transaction.atomic
def install_drills(*, by: Any, club: Club, data: Any) -> list[Drill]:
    """Bring the drills of a file into the club; one that the file does not name any more is retired, not removed.

    What the club wrote, changed or retired itself stays as it is.
    """
    checks = {row.code: row for row in Check.objects.filter(club=club).select_related("area")}
    _refuse(validate_drills(data, checks, area_of={code: row.area.code for code, row in checks.items()}))
    known = {row.code: row for row in Drill.objects.filter(club=club).prefetch_related("areas", "checks")}
    changed = False
    drills = []
    for row in data["drills"]:
        drill = known.get(row["code"]) or Drill(club=club, code=row["code"])
        drills.append(drill)
        if drill.own:
            continue
        changed |= bool(_put(drill, _drill_values(row), f"drill {row['code']}"))
        trained = [checks[code] for code in row["checks"]]
        if {check.pk for check in drill.checks.all()} != {check.pk for check in trained}:
            drill.checks.set(trained)
            changed = True
        if {area.pk for area in drill.areas.all()} != {check.area_id for check in trained}:
            drill.areas.set({check.area for check in trained})
            changed = True
    for code in known.keys() - {drill.code for drill in drills}:
        if known[code].own:
            continue
        retired = known[code].retired_on or club.today()
        changed |= bool(_put(known[code], {"retired_on": retired}, f"drill {code}"))
    if changed:
        record(by=by, club=club, action="drills.installed", target=club)
    return drills


def _drill_values(row: Mapping[str, Any]) -> dict[str, Any]:
    same = ("name", "stage", "place", "kit", "minutes", "dose", "overheads", "loads", "cautions", "steps")
    return {field: row[field] for field in (*same, "source")} | {
        "players_min": row["players"]["min"],
        "players_max": row["players"]["max"],
        "passing": row["pass"],
        "court": row.get("court", {}),
    }


def _put(row: models.Model, values: Mapping[str, Any], where: str) -> list[str]:
    """Save a new row, or the fields of a known one that differ; returns the fields that were written."""
    if row.pk is None:
        changed = list(values)
    else:
        changed = [name for name, value in values.items() if getattr(row, name) != value]
    for name in changed:
        setattr(row, name, values[name])
    if changed:
        _fits(row, where)
        row.save(**({} if row.pk is None else {"update_fields": changed}))
    return changed


def _fits(row: models.Model, where: str) -> None:
    """The lengths and ranges of the columns, said before the database says it. An empty list is a value here."""
    unasked = [
        field.name
        for field in row._meta.concrete_fields
        if field.is_relation or isinstance(field, models.JSONField)
    ]
    try:
        row.clean_fields(exclude=unasked)
    except ValidationError as error:
        _refuse(
            [
                Problem(f"{where}: {field}", " ".join(messages), _("change it"))
                for field, messages in error.message_dict.items()
            ]
        )


def _refuse(problems: Iterable[Problem]) -> None:
    sentences = [f"{problem.where}: {problem.what}. {problem.what_to_do}." for problem in problems]
    if sentences:
        raise ValidationError(sentences)
