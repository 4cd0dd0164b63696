"""What must hold of words that people type, whichever form or service takes them."""

from collections.abc import Mapping

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

FORMULA = ("=", "+", "-", "@")


def no_formula(value: str) -> None:
    """Names leave the club in spreadsheets, where one that begins like this is worked out instead of shown."""
    text = value.strip()
    if text.startswith(FORMULA):
        raise ValidationError(
            _(
                "This begins with %(sign)s: spreadsheets read this as a formula. Begin with a letter or a digit."
            ),
            code="formula",
            params={"sign": text[0]},
        )


def formulas_in(values: Mapping[str, str]) -> dict[str, ValidationError]:
    """The refusals of several values, by the name of their field."""
    problems = {}
    for name, value in values.items():
        try:
            no_formula(value)
        except ValidationError as error:
            problems[name] = error
    return problems
