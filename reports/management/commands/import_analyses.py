from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import BaseCommand, CommandError

from clubcoach.access import Role
from clubcoach.jobs import perform
from clubcoach.models import Club, Job, User
from reports.exchange.problems import SHOWN, Problem
from reports.exchange.services import bring_in, write_batch
from reports.models import Batch


class Command(BaseCommand):
    help = "Brings a folder of sheets into a club and publishes what it reads: all of it, or nothing."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--club", required=True, metavar="SLUG")
        parser.add_argument(
            "--by", metavar="EMAIL", help="who imports; without it the club's first head coach"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        club = Club.objects.filter(slug=options["club"]).first()
        if club is None:
            raise CommandError(f"There is no club at the address {options['club']!r}.")
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is no folder.")
        try:
            batch = bring_in(by=_person(club, options["by"]), club=club, folder=folder)
            self._do(batch)
            if batch.state == Batch.State.READ:
                batch = write_batch(by=_person(club, options["by"]), batch=batch)
                self._do(batch)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        except PermissionDenied as error:
            raise CommandError(str(error)) from None
        self._tell(batch)

    def _do(self, batch: Batch) -> None:
        if batch.job is None:
            raise CommandError("The import was thrown away.")
        perform(batch.job.pk, lambda done, note: self.stdout.write(f"{done:3d} %  {note}"))
        note = Job.objects.get(pk=batch.job.pk).note
        batch.refresh_from_db()
        if batch.state in (Batch.State.ARRIVED, Batch.State.WRITING):
            raise CommandError(note or "Somebody else is at work on it.")

    def _tell(self, batch: Batch) -> None:
        for remark in batch.remarks:
            self.stdout.write(remark)
        if batch.state != Batch.State.DONE:
            for row in batch.problems:
                self.stderr.write(str(Problem(*row)))
            if batch.problem_count > SHOWN:
                self.stderr.write(f"... and {batch.problem_count - SHOWN} more.")
            raise CommandError(f"Nothing was written: {batch.problem_count} bad rows.")
        for kind, found in batch.counts.items():
            self.stdout.write(f"{kind}: {found['new']} new, {found['there']} there already")


def _person(club: Club, email: str | None) -> User:
    people = User.objects.filter(memberships__club=club)
    if email is not None:
        person = people.filter(email__iexact=email).first()
        if person is None:
            raise CommandError(f"Nobody of this club has the address {email}.")
        return person
    person = people.filter(memberships__role=Role.HEAD_COACH).order_by("memberships__since").first()
    if person is None:
        raise CommandError("The club has no head coach yet: say with --by who imports.")
    return person
