"""What is planted is found whatever the seed, and without growth nothing is found: the figures behind the bounds."""

import pytest

from players.models import Unit
from reports.demo import club as demo
from reports.demo import scenario
from reports.management.commands import fill_demo
from tests.reports.planted import (
    changes,
    difference,
    followed,
    lost_after,
    marks_by_rally,
    mean,
    unit_named,
    weakest_again,
)

pytestmark = [pytest.mark.long, pytest.mark.django_db(transaction=True)]
TOLD = scenario.load()


@pytest.fixture
def filled(settings, tmp_path, request):
    settings.MEDIA_ROOT = tmp_path
    yield demo.fill(lambda text: None, with_film=False, told=TOLD.with_changes(**request.param))
    fill_demo.remove()


def told_of(club):
    with_focus, without = changes(club)
    first, second = weakest_again(club, without)
    print(
        f"focus {len(with_focus)}: {mean(with_focus):+.2f} points, better {mean(with_focus, 'better'):.2f};"
        f" none {len(without)}: {mean(without):+.2f} points, better {mean(without, 'better'):.2f};"
        f" weakest raw share {first:.2f} then {second:.2f}"
    )
    return mean(with_focus), mean(without), second - first


def faults_of(club):
    """What follows a fault for those of whom it is planted, and for the others; and the pair that leaves the net."""
    rallies, net = marks_by_rally(club), TOLD.planted["leaves_net"]
    chained = {unit_named(club, TOLD, ref).pk for ref in TOLD.planted["chain"]["students"]}
    rest = set(Unit.objects.filter(club=club, kind="player").values_list("pk", flat=True)) - chained
    pair, codes = unit_named(club, TOLD, net["pair"]).pk, set(net["lost"]["from"])
    found = [
        *(difference(followed(rallies, {"F1", "F2"}, "B1", units)) for units in (chained, rest)),
        difference([lost_after(rallies, codes, lambda seen: seen.unit == pair)]),
        difference([lost_after(rallies, codes, lambda seen: seen.unit != pair)]),
    ]
    print("feet late, hand late {:+.2f}, others {:+.2f}; net left {:+.2f}, others {:+.2f}".format(*found))
    return found


@pytest.mark.parametrize("filled", [{"seed": seed} for seed in (1, 2, 3, 4)], indirect=True)
def test_growth_is_found_with_any_seed(filled):
    with_focus, without, regression = told_of(filled)
    assert with_focus > 4
    assert abs(without) < 3
    assert with_focus - without > 3
    chain, others, leaves, stays = faults_of(filled)
    # One seed has some ninety looks at either: enough for the order, not for the size.
    assert chain > others
    assert abs(others) < 0.13
    assert leaves > stays
    assert regression > 0


@pytest.mark.parametrize("filled", [{"growth": {**TOLD.planted["growth"], "logits": 0.0}}], indirect=True)
def test_without_growth_nobody_improves(filled):
    """The points are proposed all the same, for whatever looked weak; that alone must not look like progress."""
    with_focus, without, regression = told_of(filled)
    assert abs(with_focus) < 2.5
    assert abs(without) < 2.5
    assert regression > 0
