"""The second game: ends have changed and 3 serves; 40-40, and B wins the deciding point."""

from reports.demo.scene_script import Rally, Shot, floor, glass, into_net, serve, twice


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
        late_feet=(),
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


def pushed_back() -> Rally:
    """4 lands late, lifts the hand late, floats the overhead and stays where it was: A has the net, and the point."""
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
                2.1,
                5.3,
                2.25,
                (floor(1.1, 0.6, 5.4),),
                0.45,
                "B",
                {3: (-2.0, 3.6)},
                hand_early=False,
                side_on=False,
            ),
            Shot(
                1,
                "drive",
                0.8,
                6.1,
                1.15,
                (floor(0.8, 1.9, 7.4), glass(0.3, 2.0, 0.85)),
                0.55,
                "A",
                {2: (-2.2, 5.4), 3: (-2.2, 6.0), 4: (2.1, 6.4)},
            ),
            Shot(4, "drive", 2.1, 8.2, 0.7, (), 0.95, "A", runs={4: (-0.2, 2.2)}),
            Shot(2, "volley", -1.8, 3.0, 1.25, twice(floor(0.65, -3.3, 3.6), 0.62, -4.6, 5.5), 0, "A"),
        ),
    )


def double_fault() -> Rally:
    """The first serve is long, the second one ends in the net."""
    return Rally(
        server=3,
        side="right",
        near="B",
        winner="A",
        fault=serve(3, "right", floor(0.92, 2.6, 7.9), 0),
        shots=(serve(3, "right", into_net(0.62, 0.4, 0.55), 0),),
    )


def net_kept() -> Rally:
    """B is well in and stays there, until a short volley across ends it."""
    return Rally(
        server=3,
        side="left",
        near="B",
        winner="B",
        shots=(
            serve(3, "left", floor(0.95, -2.4, 5.1), 0.36),
            Shot(2, "return", -2.7, 7.6, 0.85, (), 0.95, "B", {3: (-1.6, 4.1)}),
            Shot(3, "volley", -1.7, 3.4, 1.15, (floor(0.8, 2.4, 7.3), glass(0.3, 2.6, 0.85)), 0.55, "B"),
            Shot(1, "drive", 2.6, 8.2, 0.7, (), 0.95, "B"),
            Shot(4, "volley", 1.8, 3.1, 1.25, twice(floor(0.65, 3.3, 3.6), 0.62, 4.6, 5.5), 0, "B"),
        ),
    )


def deciding_point() -> Rally:
    """40-40: A chooses the left side. A lob takes the net, another wins it back; ten hits, the last one too low."""
    return Rally(
        server=3,
        side="left",
        near="B",
        winner="B",
        shots=(
            serve(3, "left", floor(0.95, -2.4, 5.0), 0.38),
            Shot(2, "return", -2.8, 7.6, 0.85, (), 0.95, "B", {3: (-1.6, 4.1)}),
            Shot(3, "volley", -1.7, 3.4, 1.15, (floor(0.8, -2.3, 7.3), glass(0.3, -2.5, 0.85)), 0.55, "B"),
            Shot(2, "lob", -2.5, 8.2, 0.7, (floor(1.9, -2.4, 7.6), glass(0.36, -2.5, 1.6)), 0.55, "B"),
            Shot(3, "drive", -2.3, 7.6, 0.8, (), 1.0, "A", {4: (2.2, 7.3)}),
            Shot(2, "volley", -2.0, 3.2, 1.2, (floor(0.8, 1.9, 7.3), glass(0.3, 2.0, 0.85)), 0.55, "A"),
            Shot(4, "lob", 2.1, 8.2, 0.7, (), 1.5, "A"),
            Shot(2, "bandeja", -2.1, 4.3, 2.3, (floor(0.95, -1.9, 7.6), glass(0.28, -2.0, 0.9)), 0.6, "A"),
            Shot(
                3,
                "lob",
                -2.1,
                8.2,
                0.7,
                (floor(1.9, 2.3, 7.6), glass(0.36, 2.4, 1.5)),
                0.55,
                "A",
                {2: (-2.0, 3.1)},
            ),
            Shot(1, "drive", 2.4, 7.5, 0.8, into_net(0.75, 1.6, 0.55), 0, "B", {2: (-2.2, 7.3)}),
        ),
    )


def game() -> tuple[Rally, ...]:
    return (
        new_end(),
        good_bandeja(),
        one_up_one_back(),
        pushed_back(),
        double_fault(),
        net_kept(),
        deciding_point(),
    )
