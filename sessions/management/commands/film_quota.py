from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from clubcoach import audit
from clubcoach.formatting import file_size
from clubcoach.models import Club
from sessions import film_store

# What a PositiveIntegerField holds everywhere.
MOST_GB = 2**31 - 1


class Command(BaseCommand):
    help = "Say how much a club's films may take together, in GB; 'default' gives it what every club gets."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("slug", help="the club's address")
        parser.add_argument("gb", help="whole GB from 1 on, or 'default'")

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = self._gb(options["gb"])
        with transaction.atomic():
            club = Club.objects.select_for_update().filter(slug=options["slug"]).first()
            if club is None:
                raise CommandError(f"There is no club at the address {options['slug']}.")
            club.film_quota_gb = wanted
            club.save(update_fields=["film_quota_gb"])
            audit.record(by=None, club=club, action="club.changed", target=club, fields=["film_quota_gb"])
        used, most = film_store.used(club), film_store.quota(club)
        self.stdout.write(f"{club.name}: {file_size(used)} of {file_size(most)} are taken.")
        if used > most:
            self.stdout.write("That is more than it may keep: new films are refused until some are gone.")

    def _gb(self, text: str) -> int | None:
        if text == "default":
            return None
        if not (text.isascii() and text.isdecimal()) or not 1 <= int(text) <= MOST_GB:
            raise CommandError(
                f"'{text}' is no size: use whole GB from 1 to {MOST_GB}, or 'default' for {settings.FILM_QUOTA_GB} GB."
            )
        return int(text)
