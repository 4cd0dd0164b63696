"""How a rally of the drawn film is written down: who hits what from where, and what is done well or badly.

Places are in the view of the pair that they belong to: x to their own right, depth from the net, metres. A shot's
place is in the hitters' view; what the ball touches afterwards is in the receivers' view, a negative depth being
the hitters' own side. Players 1 and 2 are pair A, 3 and 4 pair B; 1 and 3 play on the right.
"""

from dataclasses import dataclass, field, replace

Spot = tuple[float, float]

PAIRS = {"A": (1, 2), "B": (3, 4)}
PAIR_OF = {1: "A", 2: "A", 3: "B", 4: "B"}
OTHER = {"A": "B", "B": "A"}

OVERHEADS = ("bandeja",)


@dataclass(frozen=True, slots=True)
class Touch:
    """The ball meets the floor, the glass or the net, `after` seconds after what came before."""

    what: str
    after: float
    x: float
    depth: float
    z: float = 0.0


@dataclass(frozen=True, slots=True)
class Shot:
    """One hit. `then` is what the ball touches before the next hit, `air` the time from the last of it to that hit.

    `net` is the pair that stands at the net as this ball is hit; `stands` puts players elsewhere than that pair's
    or the other's usual place, and `runs` gives them a speed (across, towards the net) where they do not stop.
    """

    player: int
    kind: str
    x: float
    depth: float
    z: float
    then: tuple[Touch, ...]
    air: float
    net: str
    stands: dict[int, Spot] = field(default_factory=dict)
    runs: dict[int, Spot] = field(default_factory=dict)
    hand_early: bool = True
    side_on: bool = True


@dataclass(frozen=True, slots=True)
class Rally:
    """One point. `fault` is a first serve that was none; `after` where players are when the point is over.

    `late_feet` are the players who land from their hop well after the opponents' hit, not with it.
    """

    server: int
    side: str
    near: str
    winner: str
    shots: tuple[Shot, ...]
    fault: Shot | None = None
    after: dict[int, Spot] = field(default_factory=dict)
    late_feet: tuple[int, ...] = (4,)

    @property
    def double_fault(self) -> bool:
        return self.fault is not None and len(self.shots) == 1 and self.shots[0].then[0].what == "net"


def floor(after: float, x: float, depth: float) -> Touch:
    return Touch("floor", after, x, depth)


def glass(after: float, x: float, z: float) -> Touch:
    return Touch("glass", after, x, 10.0, z)


def into_net(after: float, x: float, z: float) -> tuple[Touch, Touch]:
    return Touch("net", after, x, 0.0, z), Touch("floor", 0.42, x, -0.45)


def mirrored(rally: Rally) -> Rally:
    """The same point served from the other side: left and right change places, and the receivers with them."""
    receivers = PAIRS[OTHER[PAIR_OF[rally.server]]]
    names = dict(zip(receivers, reversed(receivers), strict=True))

    def spots(places: dict[int, Spot]) -> dict[int, Spot]:
        return {names.get(player, player): (-x, depth) for player, (x, depth) in places.items()}

    def shot(one: Shot) -> Shot:
        then = tuple(replace(touch, x=-touch.x) for touch in one.then)
        return replace(
            one,
            player=names.get(one.player, one.player),
            x=-one.x,
            then=then,
            stands=spots(one.stands),
            runs=spots(one.runs),
        )

    return replace(
        rally,
        side="left" if rally.side == "right" else "right",
        shots=tuple(shot(one) for one in rally.shots),
        fault=shot(rally.fault) if rally.fault else None,
        after=spots(rally.after),
        late_feet=tuple(names.get(player, player) for player in rally.late_feet),
    )


SERVE_DEPTH = 7.2
SERVE_Z = 0.5


def twice(first: Touch, after: float, x: float, depth: float) -> tuple[Touch, Touch]:
    """A ball that nobody reaches: it bounces a second time."""
    return first, floor(after, x, depth)


def serve(player: int, side: str, to: Touch | tuple[Touch, ...], air: float, **more: dict[int, Spot]) -> Shot:
    x = 1.4 if side == "right" else -1.4
    pair = PAIR_OF[player]
    partner = next(other for other in PAIRS[pair] if other != player)
    stands = {partner: (-2.0 if side == "right" else 2.0, 2.9)} | more.get("stands", {})
    then = (to,) if isinstance(to, Touch) else to
    return Shot(player, "serve", x, SERVE_DEPTH, SERVE_Z, then, air, pair, stands)
