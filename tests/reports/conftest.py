from pathlib import Path

import pytest

from players.lists import default_data, install_drills
from players.models import Check
from sessions import stills
from sessions.models import Film, MatchFilm
from tests import factories as make


@pytest.fixture
def drills(cast):
    data = default_data("drills")
    known = set(Check.objects.filter(club=cast.club).values_list("code", flat=True))
    data["drills"] = [row for row in data["drills"] if set(row["checks"]) <= known]
    return install_drills(by=cast.head_coach, club=cast.club, data=data)


@pytest.fixture
def film(cast, settings, tmp_path):
    """Puts a film under a match and, if asked, a picture for each of its situations."""
    settings.MEDIA_ROOT = tmp_path

    def put(analysis, *, pictures=True, agreed=True):
        film = Film.objects.create(
            club=cast.club,
            file="films/x.webm",
            name="x",
            size=1,
            digest="d" * 64,
            state="ready",
            duration_s=900,
        )
        MatchFilm.objects.create(match=analysis.match, film=film)
        if agreed:
            for seat in analysis.match.seats.exclude(player=None):
                make.consent(seat.player)
                if seat.player.is_minor():
                    make.consent(seat.player, "guardian")
        stills.folder().mkdir(parents=True, exist_ok=True)
        for situation in analysis.situations.all() if pictures else []:
            Path(stills.path_at(film, situation.hit_s)).write_bytes(b"jpeg")
        return film

    return put
