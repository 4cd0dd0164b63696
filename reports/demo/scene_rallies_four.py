"""The fourth game: ends have changed again and 4 serves; A breaks to love."""

from reports.demo.scene_script import Rally, Shot, floor, glass, into_net, mirrored, serve, twice


def on_the_run() -> Rally:
    """The server is caught on the way in, and the ball at the feet ends in the net."""
    return Rally(
        server=4,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(4, "right", floor(0.95, 2.3, 5.0), 0.36),
            Shot(1, "return", 2.8, 7.5, 0.8, (), 0.95, "B", {4: (1.5, 6.0)}, {4: (0.1, 2.6)}),
            Shot(4, "volley", 1.5, 5.0, 0.7, into_net(0.5, -0.6, 0.5), 0, "B"),
        ),
    )


def from_the_far_end() -> Rally:
    """4's hand goes up late and the net is lost; at the other end 2 shows the same ball played well."""
    return Rally(
        server=4,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(4, "right", floor(0.95, 2.4, 5.0), 0.36),
            Shot(1, "lob", 2.9, 7.6, 0.8, (), 1.5, "B", {4: (1.6, 4.1)}),
            Shot(
                4,
                "bandeja",
                2.0,
                5.2,
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
                (floor(0.8, -2.4, 7.3), glass(0.3, -2.6, 0.8)),
                0.5,
                "A",
                {2: (-2.2, 5.4), 3: (-2.1, 6.2), 4: (2.0, 6.4)},
            ),
            Shot(3, "lob", -2.6, 8.2, 0.7, (), 1.5, "A"),
            Shot(2, "bandeja", -2.2, 4.3, 2.3, (floor(0.95, -2.4, 7.7), glass(0.28, -2.6, 0.9)), 0.6, "A"),
            Shot(3, "drive", -2.7, 8.2, 0.6, into_net(0.75, -1.6, 0.55), 0, "A", {2: (-2.0, 3.1)}),
        ),
    )


def taken_and_held() -> Rally:
    """The serve is lobbed, A takes the net and holds it with a good bandeja and a short volley."""
    return Rally(
        server=4,
        side="left",
        near="A",
        winner="A",
        shots=(
            serve(4, "left", floor(1.0, -2.2, 4.9), 0.4),
            Shot(
                2,
                "lob",
                -2.6,
                7.4,
                0.8,
                (floor(1.95, 2.4, 7.6), glass(0.36, 2.6, 1.6)),
                0.55,
                "B",
                {4: (-1.6, 4.1)},
            ),
            Shot(3, "drive", 2.6, 7.5, 0.8, (), 1.0, "A", {4: (-2.2, 7.3)}),
            Shot(2, "volley", -2.0, 3.2, 1.2, (floor(0.8, -2.4, 7.3), glass(0.3, -2.6, 0.85)), 0.55, "A"),
            Shot(4, "lob", -2.6, 8.2, 0.7, (), 1.5, "A"),
            Shot(2, "bandeja", -2.2, 4.4, 2.3, (floor(0.95, 2.3, 7.7), glass(0.28, 2.5, 0.9)), 0.6, "A"),
            Shot(3, "drive", 2.6, 8.2, 0.75, (), 0.95, "A", {2: (-2.0, 3.1)}),
            Shot(1, "volley", 1.8, 3.0, 1.25, twice(floor(0.65, 3.3, 3.6), 0.62, 4.6, 5.5), 0, "A"),
        ),
    )


def the_break() -> Rally:
    """A deep lob sends one of B back and leaves the other in front; the bandeja goes behind the one in front."""
    return Rally(
        server=4,
        side="right",
        near="A",
        winner="A",
        shots=(
            serve(4, "right", floor(0.95, 2.3, 5.1), 0.36),
            Shot(1, "return", 2.7, 7.6, 0.8, (), 0.95, "B", {4: (1.6, 4.1)}),
            Shot(4, "volley", 1.7, 3.5, 1.15, (floor(0.8, -1.9, 7.3), glass(0.3, -2.0, 0.85)), 0.55, "B"),
            Shot(2, "lob", -2.1, 8.2, 0.7, (floor(1.9, 2.3, 7.6), glass(0.36, 2.5, 1.5)), 0.55, "B"),
            Shot(4, "lob", 2.5, 7.5, 0.8, (), 1.5, "A", {3: (-2.1, 3.8)}),
            Shot(
                2,
                "bandeja",
                -2.1,
                4.3,
                2.3,
                (floor(0.95, -2.3, 7.6), glass(0.28, -2.5, 0.9), floor(0.5, -2.2, 8.2)),
                0,
                "A",
                {3: (-2.1, 4.0)},
            ),
        ),
        after={2: (-2.1, 3.2), 3: (-2.0, 5.2)},
    )


def game() -> tuple[Rally, ...]:
    return on_the_run(), taken_and_held(), from_the_far_end(), mirrored(the_break())
