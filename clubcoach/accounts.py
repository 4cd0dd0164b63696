from typing import Any

from allauth.account.adapter import DefaultAccountAdapter


class ClosedAdapter(DefaultAccountAdapter):
    """People come in by invitation only."""

    def is_open_for_signup(self, request: Any) -> bool:
        return False


def display_name(user: Any) -> str:
    return str(user.name)
