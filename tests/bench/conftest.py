from collections.abc import Iterator

import pytest

from tests.bench.board import Board


@pytest.fixture(scope="session")
def board() -> Iterator[Board]:
    """Where the bars tell their figures; written into the page at the end, kept bars and missed ones alike."""
    board = Board()
    yield board
    if board.sections:
        board.write()
