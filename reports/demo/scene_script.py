"""The rallies of the drawn film, as they were thought out: who hits what from where, and what is done well or badly.

Places are in the view of the pair that they belong to: x to their own right, depth from the net, metres. A shot's
place is in the hitters' view; what the ball touches afterwards is in the receivers' view, a negative depth being
the hitters' own side. Players 1 and 2 are pair A, 3 and 4 pair B; 1 and 3 play on the right.
"""

from dataclasses import dataclass, field

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
    """One point. `fault` is a first serve that was none; `after` where players are when the point is over."""

    server: int
    side: str
    near: str
    winner: str
    shots: tuple[Shot, ...]
    fault: Shot | None = None
    after: dict[int, Spot] = field(default_factory=dict)


def floor(after: float, x: float, depth: float) -> Touch:
    return Touch("floor", after, x, depth)


def glass(after: float, x: float, z: float) -> Touch:
    return Touch("glass", after, x, 10.0, z)


def into_net(after: float, x: float, z: float) -> tuple[Touch, Touch]:
    return Touch("net", after, x, 0.0, z), Touch("floor", 0.42, x, -0.45)


SERVE_DEPTH = 7.2
SERVE_Z = 0.5


def serve(player: int, side: str, to: Touch, air: float, **more: dict[int, Spot]) -> Shot:
    x = 1.4 if side == "right" else -1.4
    pair = PAIR_OF[player]
    partner = next(other for other in PAIRS[pair] if other != player)
    stands = {partner: (-2.0 if side == "right" else 2.0, 2.9)} | more.get("stands", {})
    return Shot(player, "serve", x, SERVE_DEPTH, SERVE_Z, (to,), air, pair, stands)


def opening() -> Rally:
    """Serve, volley, a lob that is too short, a good bandeja; the answer off the glass ends in the net."""
    return Rally(
        server=1,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(1, "right", floor(0.9, 2.3, 5.2), 0.36),
            Shot(3, "return", 2.9, 7.7, 0.8, (), 0.95, "A", {1: (1.7, 4.1)}),
            Shot(1, "volley", 1.9, 3.5, 1.15, (floor(0.8, 2.4, 7.5), glass(0.3, 2.6, 0.85)), 0.55, "A"),
            Shot(3, "lob", 2.7, 8.3, 0.7, (), 1.5, "A"),
            Shot(2, "bandeja", -2.4, 4.2, 2.3, (floor(0.95, -2.3, 7.9), glass(0.28, -2.5, 0.9)), 0.6, "A"),
            Shot(4, "drive", -2.6, 8.2, 0.6, into_net(0.75, -1.9, 0.55), 0, "A", {2: (-2.0, 3.1)}),
        ),
    )


def second_serve() -> Rally:
    """A fault, then a server who is late: running at the return, volleying from too far back."""
    return Rally(
        server=1,
        side="left",
        near="A",
        winner="B",
        fault=serve(1, "left", floor(0.92, -2.7, 7.8), 0),
        shots=(
            serve(1, "left", floor(1.0, -2.2, 4.9), 0.4),
            Shot(4, "return", -2.6, 7.3, 0.8, (), 0.9, "A", {1: (-1.5, 6.2)}, {1: (0.1, 2.8)}),
            Shot(1, "volley", -1.1, 5.1, 0.6, (floor(0.95, 1.6, 5.6),), 0.45, "A"),
            Shot(3, "drive", 1.8, 7.4, 0.9, (), 0.9, "A", {1: (-1.9, 5.1), 2: (1.9, 2.9)}),
            Shot(2, "volley", 1.7, 2.8, 1.2, (glass(0.85, -1.0, 1.7),), 0, "A"),
        ),
    )


def lob_return() -> Rally:
    """A deep lob takes the net; the answer floats; a low lob meets a late bandeja that ends in the net."""
    return Rally(
        server=1,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(1, "right", floor(0.95, 2.6, 4.9), 0.38),
            Shot(
                3,
                "lob",
                3.0,
                7.5,
                0.8,
                (floor(1.95, -2.6, 7.6), glass(0.36, -2.7, 1.6)),
                0.55,
                "A",
                {1: (1.6, 4.1)},
            ),
            Shot(2, "drive", -2.6, 7.5, 0.8, (), 1.0, "B", {1: (2.2, 7.3)}),
            Shot(3, "volley", 2.2, 3.3, 1.25, (floor(0.75, 0.6, 5.9),), 0.42, "B"),
            Shot(1, "lob", 1.1, 7.4, 0.8, (), 1.08, "B", {2: (-2.2, 7.0)}),
            Shot(
                4, "bandeja", -1.7, 3.5, 2.2, into_net(0.4, 0.6, 0.6), 0, "B", hand_early=False, side_on=False
            ),
        ),
    )


def middle_gap() -> Rally:
    """The pair stands too far apart; then a good lob, a late bandeja going backwards, answered into the net."""
    return Rally(
        server=1,
        side="left",
        near="A",
        winner="A",
        shots=(
            serve(1, "left", floor(0.95, -2.4, 5.1), 0.36),
            Shot(4, "return", -2.9, 7.5, 0.8, (), 0.95, "A", {1: (-2.0, 4.1)}),
            Shot(1, "volley", -1.8, 3.5, 1.15, (floor(0.8, 2.4, 6.9),), 0.42, "A"),
            Shot(3, "drive", 2.7, 8.3, 0.85, (), 0.9, "A", {1: (-3.5, 3.3), 2: (2.0, 3.0)}),
            Shot(2, "volley", 0.9, 2.9, 1.3, (floor(0.8, -2.5, 7.5), glass(0.32, -2.7, 0.85)), 0.55, "A"),
            Shot(4, "lob", -2.6, 8.1, 0.7, (), 1.6, "A", {1: (-2.2, 3.2), 2: (2.0, 3.2)}),
            Shot(
                2,
                "bandeja",
                2.0,
                5.3,
                2.3,
                (floor(1.0, -0.5, 6.6),),
                0.42,
                "A",
                {4: (-2.4, 7.7)},
                hand_early=False,
            ),
            Shot(4, "drive", -0.7, 7.9, 0.75, into_net(0.75, -0.6, 0.6), 0, "A", {2: (2.0, 6.1)}),
        ),
    )


def game_point() -> Rally:
    """The server comes up too slowly, volleys on the run and gets away with it: the lob flies onto the glass."""
    return Rally(
        server=1,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(1, "right", floor(0.95, 2.2, 5.3), 0.34),
            Shot(3, "return", 2.7, 7.7, 0.85, (), 1.0, "A", {1: (1.5, 5.7)}),
            Shot(
                1,
                "volley",
                1.7,
                3.6,
                1.1,
                (floor(0.78, 2.8, 7.4), glass(0.32, 3.0, 0.9)),
                0.55,
                "A",
                runs={1: (0.0, 2.0)},
            ),
            Shot(3, "lob", 2.8, 8.3, 0.7, (glass(1.62, -2.0, 2.2),), 0, "A"),
        ),
        after={1: (1.9, 4.2), 2: (-2.2, 5.6)},
    )


def new_end() -> Rally:
    """After the change of ends: a lob takes the net for both; the low ball at their feet ends in the net."""
    return Rally(
        server=3,
        side="right",
        near="B",
        winner="B",
        shots=(
            serve(3, "right", floor(0.95, 2.3, 5.0), 0.36),
            Shot(1, "return", 2.8, 7.5, 0.8, (), 0.95, "B", {3: (1.5, 4.1)}, {3: (0.1, 2.6)}),
            Shot(3, "volley", 1.8, 3.2, 1.2, (floor(0.8, -2.2, 7.3), glass(0.32, -2.4, 0.8)), 0.55, "B"),
            Shot(2, "lob", -2.3, 8.2, 0.7, (floor(1.85, 2.4, 7.6), glass(0.36, 2.5, 1.5)), 0.55, "B"),
            Shot(3, "drive", 2.4, 7.4, 0.8, (), 1.05, "A", {4: (-2.2, 7.2)}),
            Shot(2, "volley", -2.2, 3.2, 0.62, into_net(0.4, 0.9, 0.5), 0, "A"),
        ),
    )


def good_bandeja() -> Rally:
    """A short lob is met early and side-on, with a step forward after it; the volley that follows ends in the net."""
    return Rally(
        server=3,
        side="left",
        near="B",
        winner="A",
        shots=(
            serve(3, "left", floor(0.95, -2.5, 5.0), 0.38),
            Shot(2, "lob", -2.9, 7.6, 0.8, (), 1.5, "B", {3: (-1.6, 4.1)}),
            Shot(
                4,
                "bandeja",
                1.9,
                4.4,
                2.3,
                (floor(1.0, 2.6, 7.5), glass(0.3, 2.8, 0.9)),
                0.6,
                "B",
                {3: (-2.0, 3.4)},
            ),
            Shot(1, "drive", 2.7, 8.2, 0.75, (), 0.95, "B", {4: (2.0, 3.1)}),
            Shot(3, "volley", -2.0, 3.0, 1.2, into_net(0.36, 0.9, 0.6), 0, "B"),
        ),
    )


def one_up_one_back() -> Rally:
    """One stays behind; then a lob, a bandeja without a step forward, and the answer off the glass ends in the net."""
    return Rally(
        server=3,
        side="right",
        near="B",
        winner="B",
        shots=(
            serve(3, "right", floor(0.95, 2.4, 5.1), 0.35),
            Shot(1, "return", 2.8, 7.6, 0.8, (), 0.95, "B", {3: (1.6, 4.1)}),
            Shot(3, "volley", 1.7, 3.4, 1.15, (floor(0.85, -0.4, 6.8),), 0.42, "B", {4: (-2.1, 4.2)}),
            Shot(2, "lob", -0.4, 8.1, 0.8, (), 1.5, "B", {3: (2.0, 3.2), 4: (-1.9, 5.3)}),
            Shot(
                4,
                "bandeja",
                -2.2,
                4.6,
                2.3,
                (floor(0.95, -2.3, 7.4), glass(0.3, -2.4, 0.9)),
                0.6,
                "B",
                side_on=False,
            ),
            Shot(2, "drive", -2.4, 8.2, 0.7, into_net(0.75, -1.9, 0.6), 0, "B", {4: (-2.2, 5.4)}),
        ),
    )


def rallies() -> tuple[Rally, ...]:
    """Two games: A serves and wins the first from the camera's end, then ends change and B serves."""
    return (
        opening(),
        second_serve(),
        lob_return(),
        middle_gap(),
        game_point(),
        new_end(),
        good_bandeja(),
        one_up_one_back(),
    )
