"""The style sheets and templates as text: contrast, both themes, and nothing that the policy would refuse."""

import re
from pathlib import Path

import pytest
from django.apps import apps

from clubcoach.finders import PACKAGE_DATA

CORE = Path(apps.get_app_config("clubcoach").path)
STATIC = CORE / "static" / "clubcoach"
OURS = ("clubcoach", "players", "training", "reports")
TOKENS = (STATIC / "tokens.css").read_text(encoding="utf-8")


def blocks(selector: str) -> list[dict[str, str]]:
    found = re.findall(re.escape(selector) + r" \{([^}]*)\}", TOKENS)
    return [dict(re.findall(r"--([\w-]+): ([^;]+);", body)) for body in found]


LIGHT = blocks(":root")[0]
DEVICE_DARK = blocks(':root:not([data-theme="light"])')[0]
CHOSEN_DARK = blocks(':root[data-theme="dark"]')[0]


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, relative luminance and contrast ratio."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_the_published_extremes():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("theme", [LIGHT, DEVICE_DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet", "tint", "wash"])
def test_text_and_marks_stand_out_on_every_ground(theme, ground):
    for text in ("ink", "ink-soft", "link", "accent"):
        assert contrast(theme[text], theme[ground]) >= 4.5, (text, ground)
    for mark in ("edge", "mark-blue", "mark-orange", "mark-green"):
        assert contrast(theme[mark], theme[ground]) >= 3, (mark, ground)
    assert contrast(theme["on-ink"], theme["ink"]) >= 4.5


def test_a_chosen_dark_is_the_dark_of_the_device():
    assert CHOSEN_DARK == DEVICE_DARK
    assert len(CHOSEN_DARK) >= 10


def test_every_colour_of_the_style_sheets_is_a_token():
    used = set()
    for sheet in STATIC.glob("*.css"):
        used |= set(re.findall(r"var\(--([\w-]+)\)", sheet.read_text(encoding="utf-8")))
    assert used <= set(LIGHT), used - set(LIGHT)


def our_templates() -> list[Path]:
    folders = [Path(apps.get_app_config(label).path) / "templates" for label in OURS]
    return [path for folder in folders for path in sorted(folder.rglob("*.html"))]


def test_no_template_has_inline_style_or_script():
    refused = re.compile(r"""<[^>]*\s(style|on\w+)\s*=\s*["']|<style|javascript:|hx-on""", re.IGNORECASE)
    assert len(our_templates()) > 20
    for path in our_templates():
        text = path.read_text(encoding="utf-8")
        assert not refused.search(text), f"{path}: {refused.search(text)}"
        for attributes in re.findall(r"<script\b([^>]*)>", text):
            assert "src=" in attributes or "application/json" in attributes, f"{path}: <script{attributes}>"


def test_no_file_comes_from_elsewhere():
    for path in [*our_templates(), *STATIC.glob("*.css"), *STATIC.glob("*.js")]:
        found = re.findall(
            r"""(?:src|href)=["'](?:https?:)?//|@import|url\((?!#)""", path.read_text(encoding="utf-8")
        )
        assert not found, f"{path}: {found}"


def test_the_chart_script_still_asks_for_what_ours_puts_in_place():
    """After an update of plotly: look for these in its script and change charts.js to match."""
    theirs = (PACKAGE_DATA / "plotly.min.js").read_text(encoding="utf-8")
    ours = (STATIC / "charts.js").read_text(encoding="utf-8")
    [guard] = re.findall(r'MAP_STYLE = "([0-9a-f]{64})"', ours)
    guards = re.findall(r'getElementById\("([0-9a-f]{64})"\)', theirs)
    assert guards == [guard]
    assert '"plotly.js-style-"' in theirs
    assert "plotly.js-style-global" in ours
    assert '.matches(".no-inline-styles")' in theirs
    assert '"no-inline-styles"' in ours
