"""Changing a check list without its sentences and its figures parting: bounds, and what is on this term."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from clubcoach.compute._datafile import Problem, is_number
from clubcoach.compute.camera import SERVICE_LINE
from clubcoach.compute.checklist import ANY_TRIGGER, MOST_ASKED, validate_check_list

MOST = {"m": 10.0, "s": 5.0}
"""The largest sensible bound by unit: half a court is 10 m long and 10 m wide, and no rally pauses 5 s."""

STEP = 0.01
"""Bounds are given in hundredths; nobody sees less on a film."""

SPOKEN = ("met", "missed", "applies", "instant")
"""Fields of a check whose sentences may say a bound."""

# A code such as L4 names a check, its digit is no measure.
_FIGURE = re.compile(
    r"\b[A-Z]\d+\b|(?P<figure>\d+(?:\.\d+)?)(?:\s*(?P<unit>[ms])(?:et(?:re|er)s?|econds?)?\b)?"
)

Data = Mapping[str, Any]
Bound = tuple[str, str]
"""Code of a check or an area, and the name of its bound."""


class CannotChange(ValueError):
    """A change that would leave the list wrong.

    Attributes
    ----------
    problems : tuple of Problem
        Every reason; `where` is ``"F1.within_s"`` for a bound, else the code of an area or a check.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(f"{p.where}: {p.what}" for p in self.problems))


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that two versions of a list say differently.

    Attributes
    ----------
    kind : {"bound", "on", "off", "words", "new", "gone"}
    code : str
        The check or area.
    name : str
        The bound's name, or the field whose words differ; else empty.
    before, after : float or str or None
        The two values of a bound or of the words.
    """

    kind: str
    code: str
    name: str = ""
    before: float | str | None = None
    after: float | str | None = None


def unit_of(name: str) -> str:
    """Tell the unit that a bound's name ends with: ``"m"`` or ``"s"``."""
    return name.rsplit("_", 1)[-1]


def is_court_line(name: str, value: object) -> bool:
    """Tell whether a bound is the service line, which the rules of padel put where it is."""
    return unit_of(name) == "m" and is_number(value) and math.isclose(value, SERVICE_LINE)


def with_bounds(
    data: Data, changes: Mapping[str, Mapping[str, float]], earlier: Sequence[Data] = ()
) -> dict[str, Any]:
    """Change bounds, and every sentence that says one of them.

    A figure in a sentence stands for the bounds of its unit that have its value. Where two have it, earlier
    versions of the same sentence decide: a figure stands for the bound that it has followed all along.

    Parameters
    ----------
    data : mapping
        A check list without problems. It stays as it is.
    changes : mapping of str to mapping of str to float
        By code of a check or an area, by name of the bound: the new figure in metres or seconds.
    earlier : sequence of mapping
        Other versions of the list.

    Returns
    -------
    dict
        A list that `validate_check_list` finds nothing wrong with. It differs from `data` in the named bounds
        and in the figures that stand for them, and in nothing else.

    Raises
    ------
    CannotChange
        When a figure is no measure in range, a bound is not there or is a line of the court, or a sentence's
        figure stands for two bounds of which only one changes.

    Notes
    -----
    The service line lies 6.95 m from the net (International Padel Federation, *Rules of Padel*): sentences name it
    in words, so a bound of that value is no setting and none may become one.
    """
    wanted = {(code, name): _tidy(value) for code, row in changes.items() for name, value in row.items()}
    have = {bound: value for bound, value in _bounds_of(data)}
    wanted = {bound: value for bound, value in wanted.items() if have.get(bound) != value}
    _refuse(_wrong_figures(have, wanted))
    result = copy.deepcopy(dict(data))
    past = [_sentences(other) for other in earlier]
    problems: list[Problem] = []
    for place, text in _sentences(data).items():
        meant = _meant(data, place, text)
        for before, told in zip(earlier, past, strict=True):
            if place in told and _blank(told[place]) == _blank(text):
                meant = [a & b or a for a, b in zip(meant, _meant(before, place, told[place]), strict=True)]
        _write(result, place, _resay(text, place, meant, wanted, problems))
    _refuse(problems)
    for row in _rows(result):
        for name in row["bounds"]:
            if (row["code"], name) in wanted:
                row["bounds"][name] = wanted[row["code"], name]
    _refuse(validate_check_list(result))
    return result


def with_asked(
    data: Data, areas_on: Iterable[str], checks_on: Iterable[str], earlier: Sequence[Data] = ()
) -> dict[str, Any]:
    """Switch areas and checks on and off.

    A check that comes back is asked where the newest earlier version asked it; one that was never asked goes to the
    set of its own trigger, or to the area's default set when it has none.

    Parameters
    ----------
    data : mapping
        A check list without problems. It stays as it is.
    areas_on, checks_on : iterable of str
        Codes of the areas looked at and of the checks asked; every other one is off.
    earlier : sequence of mapping
        Earlier versions, the newest first.

    Returns
    -------
    dict
        A list that `validate_check_list` finds nothing wrong with.

    Raises
    ------
    CannotChange
        When a code is not there, an area that is on asks no doing check, or more than four checks would be asked
        on one situation.
    """
    areas, checks = set(areas_on), set(checks_on)
    result = copy.deepcopy(dict(data))
    by_code = {row["code"]: row for row in result["checks"]}
    known = {"area": {row["code"] for row in result["areas"]}, "check": set(by_code)}
    _refuse(
        Problem(code, f"there is no such {word}", "reload the page")
        for word, codes in (("area", areas), ("check", checks))
        for code in sorted(codes - known[word])
    )
    problems: list[Problem] = []
    for area in result["areas"]:
        area["on_by_default"] = area["code"] in areas
        own = [row for row in result["checks"] if row["area"] == area["code"]]
        for check in own:
            check["on_by_default"] = check["code"] in checks
            _ask(area, check, by_code, earlier)
        problems += _wrong_sets(area, own)
    _refuse(problems)
    _refuse(validate_check_list(result))
    return result


def differences(before: Data, after: Data) -> tuple[Change, ...]:
    """Say what a version changed against the one before.

    Parameters
    ----------
    before, after : mapping
        Two check lists.

    Returns
    -------
    tuple of Change
        Areas first, in the order of the later list. A sentence that differs only because its figure followed a
        bound is not told again.
    """
    return (*_row_changes("areas", before, after), *_row_changes("checks", before, after))


def spoken_bounds(data: Data) -> frozenset[Bound]:
    """Find the bounds whose figure stands in a sentence; the others are said in words only.

    Parameters
    ----------
    data : mapping
        A check list without problems.

    Returns
    -------
    frozenset of (str, str)
        Code of the check or area and name of the bound.
    """
    return frozenset(
        bound
        for place, text in _sentences(data).items()
        for meant in _meant(data, place, text)
        for bound in meant
    )


def _row_changes(kind: str, before: Data, after: Data) -> Iterator[Change]:
    old = {row["code"]: row for row in before.get(kind, ())}
    new = {row["code"]: row for row in after.get(kind, ())}
    for code, row in new.items():
        if code not in old:
            yield Change("new", code)
            continue
        was = old[code]
        if was.get("on_by_default") != row.get("on_by_default"):
            yield Change("on" if row.get("on_by_default") else "off", code)
        names = [
            *row.get("bounds", {}),
            *(n for n in was.get("bounds", {}) if n not in row.get("bounds", {})),
        ]
        for name in names:
            pair = was.get("bounds", {}).get(name), row.get("bounds", {}).get(name)
            if pair[0] != pair[1]:
                yield Change("bound", code, name, *pair)
        said, says = _words(was), _words(row)
        for field in sorted(said.keys() | says.keys()):
            texts = said.get(field, ""), says.get(field, "")
            if _blank(texts[0]) != _blank(texts[1]):
                yield Change("words", code, field, *texts)
    for code in old:
        if code not in new:
            yield Change("gone", code)


def _words(row: Data) -> dict[str, str]:
    told = {field: str(row.get(field, "")) for field in ("name", "cue", "trigger", *SPOKEN)}
    return told | {f"when {entry['code']}": entry["when"] for entry in row.get("triggers", ())}


def _rows(data: Data) -> Iterator[dict[str, Any]]:
    yield from data["areas"]
    yield from data["checks"]


def _bounds_of(data: Data) -> Iterator[tuple[Bound, float]]:
    for row in _rows(data):
        for name, value in row["bounds"].items():
            yield (row["code"], name), float(value)


def _tidy(value: float) -> float:
    """What was meant in hundredths and came a hair beside them."""
    figure = float(value)
    return round(figure, 2) if math.isfinite(figure) and abs(figure - round(figure, 2)) < 1e-9 else figure


def _wrong_figures(have: Mapping[Bound, float], wanted: Mapping[Bound, float]) -> Iterator[Problem]:
    for bound, value in wanted.items():
        where, unit = ".".join(bound), unit_of(bound[1])
        if bound not in have:
            yield Problem(where, "there is no such bound", "reload the page")
        elif is_court_line(bound[1], have[bound]):
            yield Problem(where, "this is the service line", "it stays where the rules of padel put it")
        elif is_court_line(bound[1], value):
            yield Problem(where, f"{SERVICE_LINE:g} m is the service line", "choose another figure")
        elif not math.isfinite(value) or not STEP <= value <= MOST[unit]:
            yield Problem(where, f"{value:g} is out of range", f"use {STEP:g} to {MOST[unit]:g} {unit}")
        elif float(f"{value:.2f}") != value:
            yield Problem(where, f"{value:g} is too fine", "use two decimals at most")


Place = tuple[str, str, str]
"""Code of the row, the field, and for an area's trigger its own code."""


def _sentences(data: Data) -> dict[Place, str]:
    found: dict[Place, str] = {}
    for area in data["areas"]:
        found[area["code"], "trigger", ""] = area["trigger"]
        for trigger in area["triggers"]:
            found[area["code"], "when", trigger["code"]] = trigger["when"]
    for check in data["checks"]:
        for field in SPOKEN:
            if isinstance(check.get(field), str):
                found[check["code"], field, ""] = check[field]
    return found


def _write(data: dict[str, Any], place: Place, text: str) -> None:
    code, field, trigger = place
    if field == "when":
        area = next(row for row in data["areas"] if row["code"] == code)
        next(entry for entry in area["triggers"] if entry["code"] == trigger)["when"] = text
        return
    kind = "areas" if field == "trigger" else "checks"
    next(row for row in data[kind] if row["code"] == code)[field] = text


def _in_reach(data: Data, place: Place) -> dict[Bound, float]:
    """The bounds that a sentence may say: a check its own, an area its own and those of its checks."""
    code, field, _trigger = place
    if field not in ("trigger", "when"):
        rows = [row for row in data["checks"] if row["code"] == code]
    else:
        rows = [row for row in data["areas"] if row["code"] == code]
        rows += [row for row in data["checks"] if row["area"] == code]
    return {(row["code"], name): float(value) for row in rows for name, value in row["bounds"].items()}


def _meant(data: Data, place: Place, text: str) -> list[frozenset[Bound]]:
    """For each figure of a sentence the bounds that it may stand for."""
    reach = _in_reach(data, place)
    found = []
    for hit in _FIGURE.finditer(text):
        if hit["figure"] is not None:
            value, unit = float(hit["figure"]), hit["unit"]
            found.append(
                frozenset(
                    bound
                    for bound, figure in reach.items()
                    if figure == value and unit in (None, unit_of(bound[1]))
                )
            )
    return found


def _blank(text: str) -> str:
    """The sentence without its figures: what stays when bounds change."""
    return _FIGURE.sub(lambda hit: hit[0] if hit["figure"] is None else "#" + (hit["unit"] or ""), text)


def _resay(
    text: str,
    place: Place,
    meant: Sequence[frozenset[Bound]],
    wanted: Mapping[Bound, float],
    problems: list[Problem],
) -> str:
    figures = iter(meant)

    def figure(hit: re.Match[str]) -> str:
        if hit["figure"] is None:
            return hit[0]
        bounds = next(figures)
        changing = {bound: wanted[bound] for bound in bounds if bound in wanted}
        if not changing:
            return hit[0]
        if len(changing) < len(bounds) or len(set(changing.values())) > 1:
            names = " and ".join(sorted(".".join(bound) for bound in bounds))
            what = f"the sentence “{text}” says {hit['figure']}, which may mean {names}"
            problems.extend(
                Problem(".".join(bound), what, "change them to the same figure, or leave both")
                for bound in changing
            )
            return hit[0]
        value = next(iter(changing.values()))
        return f"{value:g}{hit[0][len(hit['figure']) :]}"

    return _FIGURE.sub(figure, text)


def _ask(area: dict[str, Any], check: Data, by_code: Mapping[str, Data], earlier: Sequence[Data]) -> None:
    """Put a check into the sets that ask it, or take it out of all."""
    code, asked = check["code"], area["asked"]
    now = {trigger for trigger, codes in asked.items() if code in codes}
    if not check["on_by_default"]:
        for trigger in now:
            asked[trigger] = [other for other in asked[trigger] if other != code]
    elif not now:
        for trigger in _sets_for(area, check, earlier):
            asked.setdefault(trigger, [])
            asked[trigger] = sorted([*asked[trigger], code], key=lambda one: by_code[one]["phase"])


def _sets_for(area: Data, check: Data, earlier: Sequence[Data]) -> list[str]:
    known = {ANY_TRIGGER, *(entry["code"] for entry in area["triggers"])}
    for data in earlier:
        for row in data.get("areas", ()):
            if row["code"] == area["code"]:
                stood = [
                    name for name, codes in row["asked"].items() if check["code"] in codes and name in known
                ]
                if stood:
                    return stood
    return [check.get("trigger") or ANY_TRIGGER]


def _wrong_sets(area: Data, checks: Sequence[Data]) -> Iterator[Problem]:
    on = [check for check in checks if check["on_by_default"]]
    if area["on_by_default"] and not any(check["kind"] == "doing" for check in on):
        yield Problem(
            area["code"],
            "no check that says how it was played is left",
            "leave at least one doing check on, or switch the area off",
        )
    # A trigger's own set and the area's default set are often the same: that is said once.
    for codes in sorted({tuple(codes) for codes in area["asked"].values() if len(codes) > MOST_ASKED}):
        yield Problem(
            area["code"],
            f"{len(codes)} checks would be asked on one situation ({', '.join(codes)})",
            f"switch off all but {MOST_ASKED} of them",
        )


def _refuse(problems: Iterable[Problem]) -> None:
    found = tuple(problems)
    if found:
        raise CannotChange(found)
