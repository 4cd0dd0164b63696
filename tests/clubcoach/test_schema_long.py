"""What the JSON interface says of itself, taken at its word by a machine: nothing it sends breaks the server."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from clubcoach.models import ApiToken
from tests.clubcoach.walk import build_world

pytestmark = [pytest.mark.long, pytest.mark.django_db(transaction=True)]

# A run ends after the first of these that is reached: cases for each operation, or seconds for all of them.
CASES, SECONDS = 80, 120
COMMAND = Path(sys.executable).with_name("schemathesis")

# With identifiers made up, every answer would be 404 and nothing behind it would be tried.
CONFIG = """
[parameters]
"path.slug" = "seaside"
"path.homework" = "{homework}"
"path.player" = "{people}"

[[operations]]
include-path-regex = "/analyses/"
parameters = {{ "path.uuid" = "{analyses}" }}

[[operations]]
include-path-regex = "/matches/"
parameters = {{ "path.uuid" = "{matches}" }}

[[operations]]
include-path-regex = "/v1/films/"
parameters = {{ "path.uuid" = "{films}" }}
"""


@pytest.fixture
def world(cast, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    # The head coach is the analyst too, so that what she sends gets past the question who may write.
    return build_world(
        cast.club,
        coach=cast.head_coach,
        analyst=cast.head_coach,
        player=cast.ana,
        other=cast.dan,
        mark="seaside",
    )


def test_nothing_that_fits_the_schema_or_does_not_breaks_the_server(cast, world, live_server, tmp_path):
    _token, secret = ApiToken.issue(user=cast.head_coach, name="a machine")
    config = tmp_path / "schemathesis.toml"
    config.write_text(CONFIG.format(**world))
    command = [str(COMMAND), "--config-file", str(config), "run", f"{live_server.url}/api/schema/"]
    command += ["--header", f"Authorization: Token {secret}", "--checks", "not_a_server_error"]
    command += ["--phases", "examples,coverage,fuzzing", "--mode", "all", "--continue-on-failure"]
    command += ["--max-examples", str(CASES), "--max-time", str(SECONDS), "--seed", "20261125"]
    command += ["--generation-database", "none", "--warnings", "off", "--no-color"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS + 120, cwd=tmp_path)
    told = ran.stdout[-6000:] + ran.stderr[-2000:]
    assert ran.returncode == 0, told
    tested = re.search(r"Tested:\s*(\d+)", told)
    assert tested, told
    assert int(tested[1]) > 10, told
