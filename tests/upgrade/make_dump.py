"""Write the demo database of today as the one that the next change of the schema has to upgrade.

python -m tests.upgrade.make_dump NAME     writes tests/upgrade/NAME.sql.gz
"""

import gzip
import os
import sqlite3
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main(name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        os.environ.update(
            DATA_DIR=folder, SECRET_KEY="only-to-write-a-dump", DJANGO_SETTINGS_MODULE="clubcoach.settings"
        )
        import django

        django.setup()
        from django.core.management import call_command

        from reports.demo import club

        call_command("migrate", verbosity=0)
        club.fill(lambda text: None, weeks=2, with_film=False)
        with sqlite3.connect(f"{folder}/clubcoach.sqlite3") as database:
            text = "\n".join(database.iterdump())
    with gzip.GzipFile(HERE / f"{name}.sql.gz", "wb", mtime=0) as out:
        out.write(text.encode())


if __name__ == "__main__":
    main(sys.argv[1])
