"""What the tests of a student's page share: a player with published matches, and the words of an answer."""

import re
from datetime import timedelta
from html import unescape

from django.urls import reverse
from django.utils import timezone

from players.models import Check
from reports.focus import propose
from reports.scoring import full_fit
from sessions.models import Closure, Mark
from tests import factories as make
from tests.reports.published import FIRST, expect, publish_rows, unit_of

SHARES = {"L2": (40, 12), "L3": (40, 34), "F1": (40, 14), "F2": (40, 30), "B1": (40, 10), "B2": (40, 36)}


def page_of(player, name="student_page", **more):
    return reverse(name, kwargs={"slug": player.club.slug, "player": player.uuid, **more})


def text(answer):
    """The words of a page, as they are read."""
    body = answer.content.decode()
    body = re.sub(r"<script.*?</script>", " ", body, flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def see(analysis, unit, code, value, *, number=1, hit_s=None, **fields):
    """A situation of an analysis with one mark, in a closed rally."""
    rally = analysis.match.rallies.filter(number=number).first() or make.make_rally(analysis.match, number)
    check = Check.objects.get(club=analysis.match.club, code=code)
    situation = make.make_situation(
        analysis, rally, unit, check.area, hit_s=hit_s or rally.start_s + 3, **fields
    )
    Mark.objects.create(situation=situation, check_identity=check, value=value)
    Closure.objects.get_or_create(analysis=analysis, rally=rally, area=check.area)
    return situation


def publish(cast, player, *, days=2, shares=None, **fields):
    """Some published matches of a player, scored, with focus points, drills and situations."""
    expect(player.level)
    unit = unit_of(player)
    # How hard checks are is learned from everybody: of a player alone it could not be told from their weak sides.
    others = {unit_of(other): dict.fromkeys(SHARES, (300, 180)) for other in (cast.cleo, cast.dan)}
    publish_rows(cast, others, day=FIRST - timedelta(days=3), seed=99)
    made = []
    for number in range(days):
        day = FIRST + timedelta(days=7 * number)
        analysis = publish_rows(
            cast, {unit: shares or SHARES}, day=day, published_at=timezone.now(), **fields
        )
        for code in ("B1", "L2", "F1"):
            for rally, value in enumerate(("missed", "missed", "missed", "met", "met", "met"), 1):
                see(analysis, unit, code, value, number=rally)
        made.append(analysis)
    full_fit(club=cast.club)
    propose(analysis=made[-1])
    return made
