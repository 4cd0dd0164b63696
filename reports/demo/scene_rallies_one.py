"""The first game: 1 serves from the camera's end, and A wins it to 15."""

from reports.demo.scene_script import Rally, Shot, floor, glass, into_net, serve


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


def game() -> tuple[Rally, ...]:
    return opening(), second_serve(), lob_return(), middle_gap(), game_point()
