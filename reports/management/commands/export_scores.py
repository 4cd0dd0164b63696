import tempfile
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clubcoach.audit import record
from clubcoach.models import Club
from reports.exchange.scores import write_scores


class Command(BaseCommand):
    help = "Write the scores of a club's players and pairs as one CSV file."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--club", required=True, metavar="SLUG")
        parser.add_argument("--out", required=True, metavar="FILE", help="a file; what it holds is replaced")

    def handle(self, *args: Any, **options: Any) -> None:
        club = Club.objects.filter(slug=options["club"]).first()
        if club is None:
            raise CommandError(f"There is no club at the address {options['club']!r}.")
        out = Path(options["out"])
        try:
            n = _write(club, out)
        except OSError as error:
            raise CommandError(f"{out} cannot be written: {error.strerror}.") from None
        record(by=None, club=club, action="data.taken_out", target=club, fields=["scores"])
        self.stdout.write(f"{n:9d}  {out.name}")


def _write(club: Club, out: Path) -> int:
    """Beside the file first, so that what it holds is whole at any time."""
    with tempfile.NamedTemporaryFile(
        "w", encoding="utf-8", newline="", dir=out.parent, prefix=f".{out.name}-", delete=False
    ) as file:
        begun = Path(file.name)
        try:
            n = write_scores(club, file)
            file.flush()
            begun.replace(out)
        except BaseException:
            begun.unlink(missing_ok=True)
            raise
    return n
