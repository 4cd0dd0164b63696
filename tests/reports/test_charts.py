import datetime as dt
import json
from itertools import pairwise
from types import SimpleNamespace
from xml.etree import ElementTree

import plotly.graph_objects as go
import pytest
from django.utils import translation

from reports import charts

CLUB = SimpleNamespace(time_zone="Europe/Madrid", language="en")
ONE = [(dt.date(2025, 3, 4), 48.2, 38.0, 58.5, 31)]
MANY = [
    (dt.date(2025, 3, 4) + dt.timedelta(days=9 * i), 40.0 + i, 33.0 + i, 49.0 + i, 20 + 7 * i)
    for i in range(12)
]


@pytest.fixture(autouse=True)
def english():
    with translation.override("en"):
        yield


def drawn(points, **how):
    return ElementTree.fromstring(charts.trend_svg(points, 60, club=CLUB, **how))


def with_class(root, kind):
    return [element for element in root.iter() if element.get("class") == kind]


@pytest.mark.parametrize("tenths", [False, True])
@pytest.mark.parametrize("points", [ONE, MANY])
def test_the_figure_is_valid_plain_json_with_every_point(points, tenths):
    figure = charts.trend_figure(points, 60, club=CLUB, tenths=tenths)
    again = go.Figure(json.loads(json.dumps(figure)))
    standard, score = again.data
    assert [standard.meta, score.meta] == ["standard", "score"]
    assert list(score.y) == [point[1] for point in points]
    assert list(score.x) == [point[0].isoformat() for point in points]
    assert all(isinstance(trace["y"], list) for trace in figure["data"])
    upper = [y + up for y, up in zip(score.y, score.error_y.array, strict=True)]
    lower = [y - down for y, down in zip(score.y, score.error_y.arrayminus, strict=True)]
    assert upper == pytest.approx([point[3] for point in points])
    assert lower == pytest.approx([point[2] for point in points])


def test_the_figure_names_no_colour_and_stays_small():
    text = json.dumps(charts.trend_figure(MANY, 60, club=CLUB))
    assert "color" not in text
    assert "#" not in text
    assert len(text) < 5000


def test_without_a_standard_only_the_score_is_drawn():
    assert [trace["meta"] for trace in charts.trend_figure(MANY)["data"]] == ["score"]
    assert not with_class(ElementTree.fromstring(charts.trend_svg(MANY)), "standard")


def test_no_points_give_no_drawing_no_figure_and_a_sentence():
    chart = charts.trend_chart("c", [], 60, title="Lob", club=CLUB)
    assert (chart.svg, chart.figure, chart.rows) == ("", None, [])
    assert chart.sentence == "Nothing to draw yet."


@pytest.mark.parametrize("points", [ONE, MANY])
def test_the_drawing_is_well_formed_and_shows_every_point_with_its_interval(points):
    root = drawn(points)
    assert len(with_class(root, "estimate")) == len(with_class(root, "interval")) == len(points)
    assert len(with_class(root, "standard")) == 1
    assert root.get("role") == "img"
    assert root.find("title").text
    assert not [element for element in root.iter() if element.get("style")]


def test_the_drawing_puts_later_to_the_right_and_better_above():
    dots = [(float(dot.get("cx")), float(dot.get("cy"))) for dot in with_class(drawn(MANY), "estimate")]
    assert all(a[0] < b[0] and a[1] > b[1] for a, b in pairwise(dots))
    assert all(charts.LEFT <= x <= charts.RIGHT and charts.TOP <= y <= charts.BOTTOM for x, y in dots)


def test_points_in_any_order_draw_the_same():
    assert charts.trend_svg(MANY[::-1], 60) == charts.trend_svg(MANY, 60)
    assert charts.trend_figure(MANY[::-1], 60) == charts.trend_figure(MANY, 60)


def test_a_title_from_somewhere_else_is_escaped():
    hostile = '</title><script>alert("1")</script>'
    root = drawn(MANY, title=hostile)
    assert root.find("title").text == hostile
    assert "<script" not in charts.trend_svg(MANY, title=hostile)


@pytest.mark.parametrize("wrong", [(55, 40, 50), (30, 40, 50), (50, -1, 60), (50, 40, 101)])
def test_a_score_outside_its_interval_is_refused(wrong):
    with pytest.raises(ValueError, match="no score with its interval"):
        charts.trend_svg([(dt.date(2025, 3, 4), *wrong, 3)])


def test_the_sentence_says_when_the_difference_may_be_chance():
    close = charts.trend_sentence([MANY[0], MANY[3]], club=CLUB)
    assert close == (
        "From 40 (33 to 49) on 4 Mar 2025 to 43 (36 to 52) on 31 Mar 2025, over 2 match days. "
        "The two ranges overlap, so the difference may be smaller than it looks, or none."
    )
    far = charts.trend_sentence([(dt.date(2025, 1, 1), 30, 25, 35, 40), MANY[11]], club=CLUB)
    assert far.endswith("The two ranges do not overlap.")


def test_students_read_tenths():
    chart = charts.trend_chart("c", MANY, 60, title="Lob", club=CLUB, tenths=True)
    assert chart.sentence.startswith("From about 4 in 10 on 4 Mar 2025 to about 5 in 10 on 11 Jun 2025")
    assert chart.rows[0] == ["11 Jun 2025", "5", "4 to 6", "97"]
    assert chart.figure["layout"]["yaxis"]["ticktext"] == ["0", "2.5", "5", "7.5", "10"]


def test_the_table_has_the_newest_match_day_first():
    columns, rows = charts.trend_table(MANY, club=CLUB)
    assert columns == ["Match day", "Score", "May be", "Seen"]
    assert rows[0] == ["11 Jun 2025", "51", "44 to 60", "97"]
    assert len(rows) == len(MANY)


def test_few_dates_under_the_axis_first_and_last_among_them():
    ticks = charts.trend_figure(MANY)["layout"]["xaxis"]["ticktext"]
    assert ticks == ["4 Mar", "9 Apr", "11 Jun"]


def test_dates_that_would_touch_are_left_out_and_years_are_told_where_there_are_two():
    days = [dt.date(2025, 12, 1), dt.date(2026, 1, 28), dt.date(2026, 1, 30), dt.date(2026, 2, 1)]
    ticks = charts.trend_figure([(day, 40, 35, 45, 30) for day in days])["layout"]["xaxis"]["ticktext"]
    assert ticks == ["1 Dec 2025", "1 Feb 2026"]


def test_in_tenths_no_difference_is_called_none():
    same = [(dt.date(2025, 3, 4), 41, 33, 49, 20), (dt.date(2025, 3, 31), 43, 36, 52, 40)]
    words = charts.trend_sentence(same, club=CLUB, tenths=True)
    assert words.startswith("About 4 in 10 on 31 Mar 2025, as on 4 Mar 2025")
    assert "overlap" not in words


def test_the_standard_is_named_where_no_score_is():
    days = [dt.date(2025, 3, 4), dt.date(2025, 3, 8), dt.date(2025, 5, 8)]
    for score, above in ((40, True), (80, False)):
        points = [(day, score, score - 25, score + 15, 20) for day in days]
        (word,) = charts.trend_figure(points, 60)["layout"]["annotations"]
        assert word["x"] == "2025-04-07"
        assert word["yanchor"] == ("bottom" if above else "top")
        svg = drawn(points)
        (line,), (name,) = with_class(svg, "standard"), with_class(svg, "standard-word")
        assert (float(name.get("y")) < float(line.get("y1"))) is above
        dots = [float(dot.get("cx")) for dot in with_class(svg, "estimate")]
        assert dots[1] + 30 < float(name.get("x")) < dots[2] - 30
