"""The page of figures: a run replaces what it measured and nothing else."""

from pathlib import Path

import pytest

from tests.bench.board import BEGIN, END, Board


def test_a_run_replaces_its_own_sections_alone(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(f"before\n{BEGIN}\n### One\n\nold\n\n### Two\n\nkept\n{END}\nafter\n")
    board = Board()
    with board.section("One", "how") as told:
        told.tell("coverage", [0.81, 0.7, 0.8], bar=".75-.85", worst="off 0.8")
    with pytest.raises(ValueError, match="broke"), board.section("Three", "how"):
        raise ValueError("broke")
    board.write(page)
    board.write(page)
    text = page.read_text()
    assert text.startswith(f"before\n{BEGIN}\nWritten by `make bench`")
    assert text.endswith(f"### Two\n\nkept\n{END}\nafter\n")
    assert "| coverage | .75-.85 | 0.770 | 0.700 | 0.810 0.700 0.800 |" in text
    assert "old" not in text
    assert "Three" not in text
    assert text.count("### One") == 1
