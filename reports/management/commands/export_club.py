from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clubcoach.audit import record
from clubcoach.models import Club
from reports.exchange.columns import FILES
from reports.exchange.out import write_folder


class Command(BaseCommand):
    help = "Write a club's data as a folder of CSV files, which another club can bring in."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("folder", metavar="FOLDER", help="a folder that is empty or not there yet")
        parser.add_argument("--club", required=True, metavar="SLUG")

    def handle(self, *args: Any, **options: Any) -> None:
        club = Club.objects.filter(slug=options["club"]).first()
        if club is None:
            raise CommandError(f"There is no club at the address {options['club']!r}.")
        folder = Path(options["folder"])
        try:
            counts = write_folder(club, folder)
        except FileExistsError:
            raise CommandError(f"{folder} is not an empty folder. Name one that is, or a new one.") from None
        except OSError as error:
            raise CommandError(f"{folder} cannot be written: {error.strerror}.") from None
        kinds = [name.removesuffix(".csv") for name in FILES]
        record(by=None, club=club, action="data.taken_out", target=club, fields=kinds)
        for name, n in counts.items():
            self.stdout.write(f"{n:9d}  {name}")
