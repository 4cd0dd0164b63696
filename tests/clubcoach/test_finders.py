from pathlib import Path

import pytest

from clubcoach.finders import PACKAGE_DATA, PlotlyFinder


@pytest.fixture
def finder():
    return PlotlyFinder()


def test_the_script_is_found_in_the_installed_package(finder):
    found = Path(finder.find("vendor/plotly.min.js"))
    assert found == PACKAGE_DATA / "plotly.min.js"
    assert found.read_text(encoding="utf-8")[:200].count("plotly.js") == 1
    assert finder.find("vendor/plotly.min.js", find_all=True) == [str(found)]


@pytest.mark.parametrize(
    "path",
    [
        "plotly.min.js",
        "vendor/widgetbundle.js",
        "vendor/datasets/iris.csv.gz",
        "vendor/../vendor/plotly.min.js",
        "",
    ],
)
def test_nothing_else_is(finder, path):
    assert finder.find(path) == []
    assert finder.find(path, find_all=True) == []


def test_collecting_lists_that_one_file_under_its_prefix(finder):
    assert [(storage.prefix, path) for path, storage in finder.list(None)] == [("vendor", "plotly.min.js")]


def test_a_package_without_the_script_is_a_failed_check(finder, tmp_path):
    assert finder.check() == []
    finder.storage = type(finder.storage)(location=tmp_path)
    assert [error.id for error in finder.check()] == ["clubcoach.E090"]
    assert list(finder.list(None)) == []
