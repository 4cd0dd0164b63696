"""Every string that people read is marked for translation, in templates and in the code that speaks to them."""

import ast
import re

import pytest
from django.conf import settings

APPS = ("clubcoach", "players", "sessions", "reports")
TEMPLATES = sorted(path for app in APPS for path in (settings.BASE_DIR / app / "templates").rglob("*.html"))
# Said with a word of a person's or a club's own, or by a machine; nothing to translate.
WORDLESS = {"clubcoach", "- clubcoach", "OpenAPI"}


def said_plainly(text: str) -> list[str]:
    """Words in a template that stand outside of {% translate %} and {% blocktranslate %}."""
    text = re.sub(r"{#.*?#}|{% comment %}.*?{% endcomment %}", "", text, flags=re.S)
    text = re.sub(r"{% blocktrans(late)?\b.*?{% endblocktrans(late)? %}", "", text, flags=re.S)
    text = re.sub(r"{% block (page_class|look)\w* %}.*?{% endblock( \w+)? %}", "", text, flags=re.S)
    text = re.sub(r"<(script|style|svg|code|kbd)\b.*?</\1>", "", text, flags=re.S)
    attributes = re.findall(
        r'\b(?:aria-label|title|placeholder|alt|data-label)="([^"{]*[A-Za-z][^"{]*)"', text
    )
    text = re.sub(r"{%.*?%}|{{.*?}}", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->|<!doctype[^>]*>", "", text, flags=re.S | re.I)
    # An attribute's value may hold a > that belongs to no tag.
    text = re.sub(r"<[^<>]*>", "\n", text)
    words = [line.strip() for line in text.splitlines() if re.search(r"[A-Za-z]{2,}", line)]
    return [word for word in words + attributes if word not in WORDLESS and not word.startswith("&")]


def test_the_scan_sees_what_is_not_marked():
    assert said_plainly('<p>{% translate "Yes" %}</p>') == []
    assert said_plainly("<p>Plain words</p>") == ["Plain words"]
    assert said_plainly('<a aria-label="Plain label">{{ x }}</a>') == ["Plain label"]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(settings.BASE_DIR)))
def test_templates_are_marked(path):
    assert said_plainly(path.read_text()) == []


SPOKEN = {"ValidationError", "PermissionDenied", "Refusal", "CannotWork"}
MODULES = sorted(
    path
    for app in APPS
    for path in (settings.BASE_DIR / app).rglob("*.py")
    # What the OpenAPI description says is for programmers and stays in English.
    if not path.name.startswith("api_serializers")
    and "migrations" not in path.parts
    and "compute" not in path.parts
    and "commands" not in path.parts
)


def plain_refusals(source: str) -> list[str]:
    """Sentences handed to people's errors, labels and help as bare strings."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        values = [node.args[0]] if name in SPOKEN and node.args else []
        values += [
            k.value for k in node.keywords if k.arg in ("label", "help_text", "empty_label", "verbose_name")
        ]
        for value in values:
            inner = value.values if isinstance(value, ast.Dict) else [value]
            found += [
                part.value
                for part in inner
                if isinstance(part, ast.Constant) and isinstance(part.value, str) and " " in part.value
            ]
    return found


def test_the_scan_of_code_sees_what_is_not_marked():
    assert plain_refusals('raise ValidationError({"day": "This day is past."})') == ["This day is past."]
    assert plain_refusals('raise ValidationError({"day": _("This day is past.")})') == []


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(settings.BASE_DIR)))
def test_refusals_and_labels_are_marked(path):
    assert plain_refusals(path.read_text()) == []
