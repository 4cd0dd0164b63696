"""Shared effects as they are stored: what the first format kept scores as it did."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clubcoach.compute.progression import Shared, fit_progression

COLUMNS = ("player", "day", "area", "check", "analyst", "ball", "seen", "met")


@pytest.fixture
def stored() -> dict[str, Any]:
    """Written by the program that knew the first format: a fit's shared effects, its tallies and what it said."""
    return json.loads((Path(__file__).parent / "stored" / "first_format.json").read_text())


@pytest.mark.parametrize("kind", ["smoothed", "filtered"])
def test_first_format_scores_as_it_did(stored: dict[str, Any], kind: str) -> None:
    assert stored["shared"]["format"] == 1
    scores = fit_progression(*stored["tallies"], shared=stored["shared"]).scores(kind=kind)
    for name, values in stored[kind].items():
        assert scores[name] == pytest.approx(values, abs=1e-6), name


def test_first_format_predicts_as_it_did(stored: dict[str, Any]) -> None:
    fitted = fit_progression(*stored["tallies"], shared=stored["shared"])
    assert fitted.predict(**stored["asked"]) == pytest.approx(stored["chances"], abs=1e-6)


def test_first_format_knows_no_months(stored: dict[str, Any]) -> None:
    # Days as a calendar counts them are thousands of months away from the one seat that each analyst has.
    columns, asked = np.array(stored["tallies"]), {**stored["asked"]}
    columns[1] += 739_000
    asked["day"] = [day + 739_000 for day in asked["day"]]
    fitted = fit_progression(*columns, shared=stored["shared"])
    assert fitted.scores()["score"] == pytest.approx(stored["smoothed"]["score"], abs=1e-6)
    assert fitted.predict(**asked) == pytest.approx(stored["chances"], abs=1e-6)


def test_first_format_is_written_back_as_the_second(stored: dict[str, Any]) -> None:
    shared = Shared.from_dict(stored["shared"])
    again = Shared.from_dict(json.loads(json.dumps(shared.to_dict())))
    assert shared.to_dict()["format"] == 2
    assert again.to_dict() == shared.to_dict()
    # Nobody's strictness walked then: a seat for each analyst, and the average analyst as it was.
    assert shared.seat_analyst.tolist() == list(range(len(stored["shared"]["analysts"])))
    assert not shared.seat_month.any()
    assert shared.reference.tolist() == stored["shared"]["anchor"]
    assert shared.priors.situation_variance == 0.0
    assert shared.value.tolist() == stored["shared"]["value"]


def test_a_new_match_is_scored_by_the_first_format(stored: dict[str, Any]) -> None:
    columns = np.array(stored["tallies"])
    later = np.array([[2, 400, 10, 3, 101, 1, 9, 8], [2, 400, 10, 4, 555, 1, 5, 4]]).T
    fitted = fit_progression(*np.c_[columns, later], shared=stored["shared"])
    scores = fitted.scores()
    assert np.all(np.isfinite(scores["score"]))
    assert scores["day"].max() == 400


@pytest.mark.parametrize("missing", ["analysts", "value", "walk", "priors", "anchor"])
def test_a_gap_in_the_first_format_is_named(stored: dict[str, Any], missing: str) -> None:
    data = {name: part for name, part in stored["shared"].items() if name != missing}
    with pytest.raises(ValueError, match=missing):
        Shared.from_dict(data)
