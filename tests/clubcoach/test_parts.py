"""Template tags and parts, rendered as any page renders them."""

import datetime as dt
import re
from types import SimpleNamespace
from xml.etree import ElementTree

import pytest
from django import forms
from django.core.paginator import Paginator
from django.template import Context, Template
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.utils import translation

from clubcoach import svg
from reports.charts import trend_chart

WEST = SimpleNamespace(
    name="Riverside <Padel>",
    time_zone="America/Los_Angeles",
    language="en",
    welfare_contact="Ines R., 600 000 000",
)


@pytest.fixture(autouse=True)
def english():
    with translation.override("en"):
        yield


def tag(source: str, **context) -> str:
    return Template("{% load clubcoach_format %}" + source).render(Context(context)).strip()


def part(name: str, **context) -> str:
    return render_to_string(f"parts/{name}.html", context)


def test_tags_say_what_the_formatter_says():
    assert tag("{% share_words 0.52 0.31 0.6 23 %}") == "about 5 in 10; we have seen 23, so it may be 3 to 6"
    assert tag("{% count_interval 14 20 0.558 0.826 %}") == "14 of 20 (56 to 83 %)"
    assert tag("{% score_words 54 45 63 48 %}") == "54 (45 to 63), 48 checks seen"
    assert tag("{% not_enough 5 8 %}") == "seen 5 times; about 8 more and we can say"
    assert tag("{{ 754|clock }}") == "12:34"


def test_dates_are_the_clubs_and_nothing_stays_nothing():
    at = dt.datetime(2025, 11, 25, 3, 30, tzinfo=dt.UTC)
    assert tag("{{ at|day:club }}", at=at, club=WEST) == "24 Nov 2025"
    assert tag("{{ at|weekday:club }}", at=at, club=WEST) == "Mon 24 Nov 2025"
    assert tag("{{ at|moment:club }}", at=at, club=WEST) == "24 Nov 2025, 19:30"
    assert tag("{{ at|machine }}", at=at) == "2025-11-25T03:30:00+00:00"
    assert tag("{{ at|day:club }}{{ at|moment:club }}{{ at|machine }}", at=None, club=WEST) == ""


def test_ten_boxes_are_filled_to_the_estimate_and_underlined_where_it_may_be():
    boxes = re.findall(r'<i class="([^"]+)"', part("tenths", about=0.52, low=0.31, high=0.6, seen=23))
    assert boxes == ["box on"] * 3 + ["box on may"] * 2 + ["box may"] + ["box"] * 4


def test_nothing_seen_draws_no_boxes():
    html = part("tenths", about=0, low=0, high=0, seen=0)
    assert "not seen yet" in html
    assert "box" not in html


def test_an_interval_is_drawn_to_scale_beside_its_words():
    html = part("interval", met=5, seen=10, low=0.25, high=0.75)
    assert "5 of 10 (25 to 75 %)" in html
    drawing = ElementTree.fromstring(re.search(r"<svg.*</svg>", html, re.DOTALL)[0])
    lines = {line.get("class"): line for line in drawing.iter("line") if line.get("class") != "tick"}
    assert "standard" not in lines
    left, right = float(lines["axis"].get("x1")), float(lines["axis"].get("x2"))
    assert float(lines["interval"].get("x1")) == pytest.approx(left + (right - left) / 4)
    assert float(lines["interval"].get("x2")) == pytest.approx(right - (right - left) / 4)
    assert float(drawing.find("circle").get("cx")) == pytest.approx((left + right) / 2)


def test_the_standard_is_drawn_where_there_is_one():
    assert 'class="standard"' in part("interval", met=5, seen=10, low=0.25, high=0.75, standard=0.6)
    assert "<svg" not in part("interval", met=0, seen=0, low=0, high=1, standard=0.6)


@pytest.mark.parametrize(
    ("value", "expected"), [(12, "12"), (12.04, "12"), (12.46, "12.5"), (0, "0"), (100, "100")]
)
def test_coordinates_are_short(value, expected):
    assert svg.number(value) == expected


class Request(forms.Form):
    title = forms.CharField(label="Match", help_text="Who played")
    note = forms.CharField(required=False)
    short = forms.BooleanField(label="Short", required=False)
    purpose = forms.ChoiceField(choices=[("a", "A"), ("b", "B")], widget=forms.RadioSelect)


def test_a_field_is_wired_to_its_label_help_and_error():
    html = part("field", field=Request({"title": ""})["title"])
    assert '<label for="id_title">Match</label>' in html
    assert 'aria-describedby="id_title_helptext id_title_error"' in html
    assert 'aria-invalid="true"' in html
    assert 'id="id_title_helptext"' in html
    assert 'id="id_title_error"' in html


def test_every_form_is_drawn_with_our_fields():
    html = Request().as_div() + str(Request())
    assert html.count('class="field') == 8
    assert html.count("(optional)") == 2
    assert html.count("<legend>Purpose</legend>") == 2
    assert "Nothing was saved" not in html
    assert "Nothing was saved" in str(Request({}))


def test_a_tick_box_stands_before_its_label():
    html = part("field", field=Request()["short"])
    assert html.index("<input") < html.index("<label")
    assert html.count("<input") == 1


def test_the_pager_keeps_the_rest_of_the_address():
    request = RequestFactory().get("/?state=late&page=2")
    page = Paginator(range(60), 20).page(2)
    html = render_to_string("parts/pager.html", {"page": page}, request=request)
    assert "page 2 of 3" in html
    assert set(re.findall(r'href="([^"]+)"', html)) == {"?state=late&amp;page=1", "?state=late&amp;page=3"}
    alone = render_to_string("parts/pager.html", {"page": Paginator(range(5), 20).page(1)}, request=request)
    assert alone.strip() == ""


def test_an_empty_list_says_what_comes_and_how():
    html = part("empty", title="No film", what="Films stand here.", how="Upload", url="/x")
    assert "No film" in html
    assert '<a href="/x">Upload</a>' in html


def test_text_in_drawers_is_escaped():
    assert "&lt;b&gt;" in part("sure", text="<b>")
    assert "How sure?" in part("sure", text="x")
    assert "How to read this" in part("howto", text="x")


def test_a_chart_has_sentence_drawing_table_and_data():
    points = [(dt.date(2025, 3, 4), 41, 33, 50, 24), (dt.date(2025, 4, 4), 57, 51, 63, 40)]
    html = part("chart", chart=trend_chart("lob", points, 60, title="Lob", club=WEST))
    assert "From 41 (33 to 50)" in html
    assert html.index("<svg") < html.index("<table")
    assert '<script id="lob-data" type="application/json">' in html
    assert 'data-chart="lob-data"' in html
    assert re.search(r'data-plotly="[^"]*vendor/plotly\.min', html)


def test_a_chart_of_nothing_loads_nothing():
    html = part("chart", chart=trend_chart("lob", [], 60, title="Lob", club=WEST))
    assert "Nothing to draw yet." in html
    assert "data-chart" not in html
    assert "<script" not in html


def page(source: str, **context) -> str:
    return Template(source).render(Context({"club": WEST, "nav": [], "who": None, **context}))


def test_the_frame_of_a_page():
    nav = [
        SimpleNamespace(url="/c/r/desk", label="Desk", current=True),
        SimpleNamespace(url="/c/r/people", label="People", current=False),
    ]
    html = page(
        '{% extends "base.html" %}{% block title %}Desk{% endblock %}{% block content %}x{% endblock %}',
        nav=nav,
    )
    assert "<title>Desk - Riverside &lt;Padel&gt;</title>" in html
    assert '<html lang="en">' in html
    assert (
        html.index('href="#main"') < html.index("<header") < html.index('id="main"') < html.index("<footer")
    )
    assert re.findall(r'<a href="([^"]+)" aria-current="page">', html) == ["/c/r/desk"]
    assert "Welfare contact: Ines R., 600 000 000" in html
    assert "Local rules and licensed practice come first." in html


def test_a_club_without_a_welfare_contact_says_so():
    html = page('{% extends "base.html" %}', club=SimpleNamespace(name="R", welfare_contact=""))
    assert "Welfare contact: not named yet" in html


def test_pages_without_a_club_name_none():
    html = page('{% extends "bare.html" %}{% block title %}Sign in{% endblock %}')
    assert "Riverside" not in html
    assert "Welfare" not in html


@pytest.mark.parametrize("name", ["400", "403", "403_csrf", "404", "429", "500"])
def test_error_pages_need_no_context_and_name_no_club(name):
    html = render_to_string(f"{name}.html")
    assert html.count("<h1>") == 1
    assert "</html>" in html
