from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from players.services import found_club
from players.services.invitations import address_of

OPTIONS = {"head_coach": "--head-coach", "time_zone": "--time-zone"}


class Command(BaseCommand):
    help = "Make a club with the standard check list, levels and drills, and invite its first head coach."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--name", required=True, help="as it stands on every page")
        parser.add_argument("--slug", required=True, help="its address: small letters, digits, hyphens")
        parser.add_argument("--time-zone", required=True, help="such as Europe/Madrid")
        parser.add_argument("--head-coach", required=True, metavar="EMAIL", help="who is invited")
        parser.add_argument("--language", default=settings.LANGUAGES[0][0])

    def handle(self, *args: Any, **options: Any) -> None:
        names = ("name", "slug", "time_zone", "head_coach", "language")
        try:
            founded = found_club(**{name: options[name] for name in names})
        except ValidationError as error:
            raise CommandError(sentences(error)) from None
        self.stdout.write(f"{founded.club.name} is there, at {settings.SITE_URL}/c/{founded.club.slug}/")
        if founded.invitation.unsent:
            self.stdout.write(
                f"The mail to {founded.invitation.email} could not be sent: pass the address below on yourself."
            )
        else:
            self.stdout.write(
                f"An invitation is on its way to {founded.invitation.email}. The same address works here:"
            )
        self.stdout.write(address_of(founded.secret))


def sentences(error: ValidationError) -> str:
    """Which option is wrong and why; nothing was changed."""
    said = [
        f"{OPTIONS.get(name, f'--{name}')}: {message}"
        for name, messages in error.message_dict.items()
        for message in messages
    ]
    return "No club was made.\n" + "\n".join(said)
