"""How long each model field is kept.

A model says it in its class body, ``kept = kept_as(club="id name", person="note")``; a system check refuses a
field that no rule names, so that nobody adds a place for personal data without saying when it goes.
"""

from enum import StrEnum


class Keep(StrEnum):
    CLUB = "club"  # as long as the club itself
    PERSON = "person"  # until the person it is about is erased or leaves for good
    MATCH = "match"  # until the match is removed
    CONSENT = "consent"  # until the consent that it stands on ends
    SEASON = "season"  # three years after it was written
    SECURITY = "security"  # two years, as evidence of who did what
    SHORT = "short"  # at most 60 days


def kept_as(**names_by_rule: str) -> dict[str, Keep]:
    rules: dict[str, Keep] = {}
    for rule, names in names_by_rule.items():
        for name in names.split():
            if name in rules:
                raise ValueError(f"{name} has two retention rules: {rules[name]} and {rule}")
            rules[name] = Keep(rule)
    return rules
