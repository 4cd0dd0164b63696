"""The demo databases of earlier versions, brought up to date: nothing of them is lost and the pages still open."""

import gzip
import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings

HERE = Path(__file__).resolve().parent
DUMPS = sorted(HERE.glob("*.sql.gz"))

LOOK = """
import json, django
django.setup()
from django.core.management import call_command
call_command("migrate", verbosity=0)
from django.test import Client
from clubcoach.models import User
from players.models import Player
from reports.models import Score, FocusPoint
from sessions.models import Mark, Tally
from reports.demo.people import logins, SLUG
pages = {}
for role, email, _ in logins():
    client = Client(SERVER_NAME="localhost")
    client.force_login(User.objects.get(email=email), backend="allauth.account.auth_backends.AuthenticationBackend")
    pages[role] = client.get(f"/c/{SLUG}/", follow=True).status_code
models = (User, Player, Mark, Tally, Score, FocusPoint)
print(json.dumps([{m.__name__: m.objects.count() for m in models}, pages]))
"""
TABLES = {
    "User": "clubcoach_user",
    "Player": "players_player",
    "Mark": "training_mark",
    "Tally": "training_tally",
    "Score": "reports_score",
    "FocusPoint": "reports_focuspoint",
}


def test_there_is_a_database_of_the_version_before():
    assert DUMPS


@pytest.mark.parametrize("dump", DUMPS, ids=lambda path: path.name.split(".")[0])
def test_an_earlier_demo_is_brought_up_to_date(dump, tmp_path):
    with sqlite3.connect(tmp_path / "clubcoach.sqlite3") as database:
        database.executescript(gzip.decompress(dump.read_bytes()).decode())
        before = {
            name: database.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for name, table in TABLES.items()
        }
    environment = {
        name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")
    }
    environment.update(DATA_DIR=str(tmp_path), DJANGO_SETTINGS_MODULE="tests.settings")
    done = subprocess.run(
        [sys.executable, "-c", LOOK], env=environment, cwd=settings.BASE_DIR, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-2000:]
    after, pages = json.loads(done.stdout.strip().splitlines()[-1])
    assert after == before
    assert before["Mark"] > 1000
    assert set(pages.values()) == {200}, pages
