"""The demo's scenario is whole, and a broken one says what is wrong with it before anything is made."""

import copy
from datetime import date

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from reports.demo import club as demo
from reports.demo import scenario
from reports.demo.people import address_of
from reports.demo.planted import Truth, days_worked

TOLD = scenario.load()


def broken(change):
    data = copy.deepcopy(TOLD.data)
    change(data)
    return data


def swap_in(data, number, name, value):
    data["term"]["matches"][number][name] = value


def drop_one_of(data, pair):
    matches = data["term"]["matches"]
    matches.remove(next(row for row in matches if pair in (row["home"], row["away"])))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data: data["people"]["students"][0].update(level="genius"), "level 'genius'"),
        (lambda data: data["people"]["students"][0].update(age=12), "whoever is under 18 has the guardian"),
        (lambda data: data["people"]["students"][0].update(family="Borg"), "not among the invented names"),
        (lambda data: data["people"]["coaches"].pop(), "three assistants"),
        (lambda data: data["squads"][0]["players"].append("nobody"), "is in a squad and no student"),
        (lambda data: data["squads"][0].update(coach="runa"), "'runa' is no coach"),
        (lambda data: data["squads"][0].update(players=["runa"]), "four to six players"),
        (lambda data: data["pairs"].reverse(), "two by two in the order"),
        (lambda data: swap_in(data, 0, "home", "fenna+runa"), "somebody plays twice"),
        (lambda data: swap_in(data, 0, "away", "nobody+goran"), "'nobody' is no student"),
        (lambda data: swap_in(data, 0, "analyst", "saskia"), "'saskia' is no assistant"),
        (lambda data: swap_in(data, 0, "week", 40), "week 1 to 10"),
        (lambda data: drop_one_of(data, "zoltan+leila"), "leila plays 1"),
        (lambda data: drop_one_of(data, "yara+nils"), "yara+nils play 3 matches together"),
        (lambda data: data["reviews"][0].update(what="done"), "reworded with the words"),
        (lambda data: data["reviews"][1].update(week=0), "reviews, emeka: week 1 to 10"),
        (lambda data: data["simulation"]["ball"]["easy"].update(share=0.5), "add up to 1"),
        (lambda data: data["simulation"]["costs"].update(Q9=1), "no check 'Q9'"),
        (lambda data: data["planted"]["decoy"].update(student="bram"), "the decoy is not in the chain"),
        (lambda data: data["notes"][0].update(unit="runa+nobody"), "notes, runa+nobody: 'nobody'"),
        (lambda data: data["goals"][0].update(area="smash"), "no area 'smash'"),
        (lambda data: data["lessons"]["called_off"].update(week=99), "name a squad and a week"),
        (lambda data: data.pop("squads"), "not whole: KeyError"),
        (lambda data: data["planted"].pop("growth"), "not whole: KeyError"),
    ],
)
def test_a_broken_scenario_says_what_is_wrong(change, said):
    with pytest.raises(scenario.ScenarioError, match="(?s)" + said.replace("+", r"\+")):
        scenario.checked(broken(change))


def test_all_that_is_wrong_is_told_at_once():
    def change(data):
        data["simulation"]["costs"]["Q9"] = 1
        data["goals"][0]["area"] = "smash"

    with pytest.raises(scenario.ScenarioError) as told:
        scenario.checked(broken(change))
    assert "Q9" in str(told.value)
    assert "smash" in str(told.value)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"people": 3}'])
def test_no_scenario_at_all(text, tmp_path, settings):
    (tmp_path / "fixtures").mkdir()
    (tmp_path / "fixtures" / "demo.json").write_text(text)
    settings.BASE_DIR = tmp_path
    with pytest.raises(scenario.ScenarioError, match=r"demo\.json"):
        scenario.load()


@pytest.mark.django_db
def test_the_command_says_it_in_a_sentence(monkeypatch):
    def fail(*args, **kwargs):
        raise scenario.ScenarioError("fixtures/demo.json: runa: level 'genius' is none of starter")

    monkeypatch.setattr(demo, "fill", fail)
    with pytest.raises(CommandError, match="level 'genius'"):
        call_command("fill_demo")


def test_names_become_addresses_without_accents():
    assert address_of("Tomás", "Sandrevic") == "tomas.sandrevic@osterfenn.example"
    assert len({address_of(row.given, row.family) for row in TOLD.students}) == 24


D = date


@pytest.mark.parametrize(
    ("spans", "days"),
    [
        ([], 0),
        ([(D(2026, 9, 1), None)], 30),
        ([(D(2026, 9, 1), D(2026, 9, 11))], 10),
        # Two points of one area at once are no faster than one.
        ([(D(2026, 9, 1), None), (D(2026, 9, 11), None)], 30),
        ([(D(2026, 9, 1), D(2026, 9, 11)), (D(2026, 9, 6), D(2026, 9, 16))], 15),
        ([(D(2026, 9, 11), D(2026, 9, 21)), (D(2026, 9, 1), D(2026, 9, 6))], 15),
        ([(D(2026, 10, 5), None)], 0),
    ],
)
def test_days_on_which_something_was_worked_on(spans, days):
    assert days_worked(spans, D(2026, 10, 1)) == days


def a_truth(**more):
    return Truth(np.random.default_rng(1), TOLD, {}, {}, **more)


def test_growth_follows_the_focus_points_alone():
    rule = TOLD.planted["growth"]
    truth = a_truth(worked_on={(7, "feet"): [(D(2026, 9, 1), None)]})
    assert truth.grown(7, "feet", D(2026, 10, 31)) == pytest.approx(rule["logits"] * 60 / rule["days"])
    assert truth.grown(7, "lob", D(2026, 10, 31)) == 0
    assert truth.grown(8, "feet", D(2026, 10, 31)) == 0


def test_links_hold_for_those_of_whom_they_are_planted():
    link = TOLD.planted["chain"]["links"][0]
    truth, (cause, effect) = a_truth(chained={3}), (link["from"][0], link["to"][0])
    assert truth.link([3], {3: {cause}}, effect) == link["logits"] < 0
    assert truth.link([3, 4], {4: {cause}}, effect) == 0
    assert truth.link([4], {4: {cause}}, effect) == 0
    assert truth.link([3], {3: {"S2"}}, effect) == 0
    assert truth.link([3], {3: {cause}}, "S2") == 0
