from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.template import TemplateSyntaxError
from django.template.loader import get_template


class Command(BaseCommand):
    help = "Compile every template of ours; a mistake in one is an error here and not on a user's page."

    def handle(self, *args: Any, **options: Any) -> None:
        wrong = []
        found = 0
        for app in ("clubcoach", "players", "sessions", "reports"):
            folder = settings.BASE_DIR / app / "templates"
            for path in sorted(folder.rglob("*.html")) + sorted(folder.rglob("*.txt")):
                found += 1
                try:
                    get_template(str(path.relative_to(folder)))
                except TemplateSyntaxError as error:
                    wrong.append(f"{path.relative_to(settings.BASE_DIR)}: {error}")
        if wrong:
            raise CommandError("\n".join(wrong))
        self.stdout.write(f"{found} templates compile.")
