from shutil import rmtree
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clubcoach.models import Club
from reports.demo import club
from reports.demo.scenario import ScenarioError


class Command(BaseCommand):
    help = "Fill the demo club, or leave it as it is where it exists."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--reset", action="store_true", help="remove the demo club first")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["reset"]:
            remove()
        elif club.is_half_made():
            self.stdout.write("The demo club was left half made. It is made anew.")
            remove()
        if club.is_there():
            self.stdout.write("The demo club is here already; its data stay.")
            return
        try:
            club.fill(self._say)
        except ScenarioError as error:
            raise CommandError(str(error)) from None

    def _say(self, text: str) -> None:
        self.stdout.write(f"  {text}")
        self.stdout.flush()


def remove() -> None:
    """Take the demo club and its people away, in an order that no protected key minds."""
    from clubcoach.models import User
    from players.models import Check, Goal, Player, Squad
    from reports.demo.people import MAIL, SLUG
    from reports.models import FocusPoint, Homework
    from sessions.models import Analysis, Lesson, Match

    for row in Club.objects.filter(slug=SLUG):
        _remove_films(row)
        Lesson.objects.filter(club=row).delete()
        Squad.objects.filter(club=row).delete()
        Homework.objects.filter(player__club=row).delete()
        FocusPoint.objects.filter(unit__club=row).delete()
        Goal.objects.filter(unit__club=row).delete()
        Analysis.objects.filter(match__club=row).delete()
        Match.objects.filter(club=row).delete()
        Player.objects.filter(club=row).delete()
        row.check_list_versions.all().delete()
        row.drills.all().delete()
        Check.objects.filter(club=row).delete()
        row.delete()
    User.objects.filter(email__endswith=f"@{MAIL}").delete()


def _remove_films(club: Club) -> None:
    """With what was made of them: rows go with the club, files do not."""
    from sessions import clips, film_store, stills
    from sessions.models import Film, Upload

    for upload in Upload.objects.filter(club=club):
        film_store.part_of(upload).unlink(missing_ok=True)
    for film in Film.objects.filter(club=club):
        stills.drop_stills_of_film(film)
        clips.drop(film.clips.all())
        film_store.drop_pieces(film)
        for file in (film.file, film.original):
            if file:
                film_store.path_of(file.name).unlink(missing_ok=True)
    rmtree(film_store.strips(club.pk), ignore_errors=True)
    rmtree(film_store.path_of(f"films/{club.pk}"), ignore_errors=True)
