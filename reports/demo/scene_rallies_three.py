"""The third game: 2 serves from the far end; B's overheads come late, and A wins it to 15."""

from reports.demo.scene_script import Rally, Shot, floor, glass, into_net, serve


def net_given_away() -> Rally:
    """B takes the net with a lob and gives it back: late feet, late hand, a floating overhead, no step forward."""
    return Rally(
        server=2,
        side="right",
        near="B",
        winner="A",
        shots=(
            serve(2, "right", floor(0.95, 2.4, 5.0), 0.36),
            Shot(
                3,
                "lob",
                2.9,
                7.6,
                0.8,
                (floor(1.9, -2.4, 7.6), glass(0.36, -2.6, 1.6)),
                0.55,
                "A",
                {2: (1.6, 4.1)},
            ),
            Shot(1, "drive", -2.5, 7.5, 0.8, (), 1.0, "B", {2: (2.2, 7.3)}),
            Shot(4, "volley", -1.9, 3.2, 1.2, (floor(0.75, 2.2, 6.1),), 0.45, "B"),
            Shot(2, "lob", 2.4, 7.6, 0.8, (), 1.5, "B"),
            Shot(
                4,
                "bandeja",
                -2.0,
                5.2,
                2.25,
                (floor(1.1, 0.6, 5.3),),
                0.45,
                "B",
                hand_early=False,
                side_on=False,
            ),
            Shot(
                2,
                "drive",
                0.8,
                6.1,
                1.15,
                (floor(0.8, -2.0, 7.5), glass(0.28, -2.1, 0.8)),
                0.5,
                "A",
                {1: (-2.2, 5.4), 3: (2.2, 6.2), 4: (-2.0, 6.4)},
            ),
            Shot(4, "drive", -2.2, 8.2, 0.55, into_net(0.75, -1.7, 0.5), 0, "A", runs={4: (0.2, 2.2)}),
        ),
    )


def return_in_the_net() -> Rally:
    """A good serve, and a return that does not clear the net."""
    return Rally(
        server=2,
        side="left",
        near="B",
        winner="A",
        shots=(
            serve(2, "left", floor(0.95, -2.4, 5.2), 0.36),
            Shot(4, "return", -2.8, 7.6, 0.7, into_net(0.7, -1.0, 0.5), 0, "A", {2: (-1.6, 4.0)}),
        ),
    )


def out_of_trouble() -> Rally:
    """A lob out of trouble takes the net, a good bandeja keeps it, and the answer off the glass is too low."""
    return Rally(
        server=2,
        side="right",
        near="B",
        winner="B",
        shots=(
            serve(2, "right", floor(0.95, 2.3, 5.1), 0.36),
            Shot(
                3,
                "lob",
                2.9,
                7.6,
                0.8,
                (floor(1.95, -2.4, 7.7), glass(0.36, -2.6, 1.5)),
                0.55,
                "A",
                {2: (1.6, 4.1)},
            ),
            Shot(1, "lob", -2.6, 7.6, 0.8, (), 1.5, "B", {2: (2.2, 7.3)}),
            Shot(3, "bandeja", 2.0, 4.3, 2.3, (floor(0.95, -2.4, 7.5), glass(0.28, -2.6, 0.9)), 0.6, "B"),
            Shot(1, "drive", -2.6, 8.2, 0.7, into_net(0.75, -1.6, 0.55), 0, "B", {3: (2.0, 3.1)}),
        ),
    )


def at_the_feet() -> Rally:
    """The same chain once more: the overhead floats to the middle, B drifts back, and the drive dips to its feet."""
    return Rally(
        server=2,
        side="left",
        near="B",
        winner="A",
        shots=(
            serve(2, "left", floor(0.95, -2.4, 5.1), 0.38),
            Shot(
                4,
                "lob",
                -2.8,
                7.6,
                0.8,
                (floor(1.95, -2.4, 7.6), glass(0.36, -2.6, 1.6)),
                0.55,
                "A",
                {2: (-1.6, 4.1)},
            ),
            Shot(2, "lob", -2.6, 7.5, 0.8, (), 1.5, "B", {1: (2.2, 7.3)}),
            Shot(4, "bandeja", -1.9, 5.3, 2.25, (floor(1.1, -0.6, 5.4),), 0.45, "B", hand_early=False),
            Shot(
                2,
                "drive",
                -0.7,
                6.1,
                1.15,
                (),
                0.9,
                "A",
                {1: (2.2, 5.4), 3: (2.1, 5.8), 4: (-2.0, 6.4)},
            ),
            Shot(
                3,
                "volley",
                1.6,
                5.6,
                0.7,
                into_net(0.5, 0.6, 0.5),
                0,
                "A",
                {1: (2.0, 3.7), 2: (-1.6, 3.9), 4: (-2.0, 6.0)},
            ),
        ),
    )


def second_serve_held() -> Rally:
    """A fault, then everything right: in quickly, a good bandeja, a step in after it."""
    return Rally(
        server=2,
        side="right",
        near="B",
        winner="A",
        fault=serve(2, "right", into_net(0.62, 0.4, 0.55), 0),
        shots=(
            serve(2, "right", floor(1.0, 2.2, 4.9), 0.4),
            Shot(3, "return", 2.6, 7.4, 0.85, (), 0.95, "A", {2: (1.6, 4.1)}),
            Shot(2, "volley", 1.8, 3.5, 1.15, (floor(0.8, 2.0, 7.4), glass(0.3, 2.1, 0.85)), 0.55, "A"),
            Shot(3, "lob", 2.2, 8.3, 0.7, (), 1.5, "A"),
            Shot(2, "bandeja", 2.1, 4.2, 2.3, (floor(0.95, 2.0, 7.8), glass(0.28, 2.1, 0.9)), 0.6, "A"),
            Shot(3, "drive", 2.2, 8.2, 0.75, into_net(0.75, 1.7, 0.55), 0, "A", {2: (2.0, 3.1)}),
        ),
    )


def game() -> tuple[Rally, ...]:
    return net_given_away(), return_in_the_net(), out_of_trouble(), at_the_feet(), second_serve_held()
