"""How strict somebody is, in words: as far as it is sure, and never more."""

import pytest

from reports.severity import severity_words


@pytest.mark.parametrize(
    ("severity", "sd", "words"),
    [
        (0.0, 0.1, "about as strict as the others"),
        (0.3, 0.4, "about as strict as the others"),
        (-0.09, 0.01, "about as strict as the others"),
        (0.3, 0.1, "a little stricter than the others; the scores allow for it"),
        (0.8, 0.1, "stricter than the others; the scores allow for it"),
        (-0.3, 0.1, "a little kinder than the others; the scores allow for it"),
        (-0.8, 0.2, "kinder than the others; the scores allow for it"),
    ],
)
def test_words(severity, sd, words):
    assert severity_words(severity, sd).startswith(words)
