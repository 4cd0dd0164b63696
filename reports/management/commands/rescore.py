from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clubcoach.jobs import enqueue, perform
from clubcoach.models import Club, Job


class Command(BaseCommand):
    help = "The full fit of a club: estimates what its units share anew, and scores every unit."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--club", required=True, metavar="SLUG")

    def handle(self, *args: Any, **options: Any) -> None:
        club = Club.objects.filter(slug=options["club"]).first()
        if club is None:
            raise CommandError(f"There is no club at the address {options['club']!r}.")
        job = enqueue("score.club", club=club, key=f"club-{club.pk}")
        if not perform(job.pk, lambda done, note: self.stdout.write(f"{done:3d} %  {note}")):
            raise CommandError(f"Not scored: {Job.objects.get(pk=job.pk).note or 'somebody else is at it'}")
        self.stdout.write(f"{club.name} is scored.")
