"""The drawn match, rally by rally: four games after the rules, one deciding point at 40-40, one break of serve.

What runs through it is the chain that coaches teach, in player 4: feet late, hand up late, hit behind the head, the
ball floats, no step forward, the net lost. Player 2 plays the same ball well.
"""

from reports.demo import scene_rallies_four, scene_rallies_one, scene_rallies_three, scene_rallies_two
from reports.demo.scene_script import Rally


def rallies() -> tuple[Rally, ...]:
    """A wins three games to one: 1-0, 1-1, 2-1, 3-1."""
    return (
        *scene_rallies_one.game(),
        *scene_rallies_two.game(),
        *scene_rallies_three.game(),
        *scene_rallies_four.game(),
    )
