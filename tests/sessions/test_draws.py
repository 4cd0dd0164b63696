"""The draw: by chance, reproducible, balanced, extended along the same order, never after a score was told."""

from collections import Counter
from typing import Any

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from clubcoach.compute.draw import draw_order, margin
from clubcoach.models import AuditEvent
from players.models import Unit
from sessions.draws import draw_more, drawn_of, make_draw, margin_words
from sessions.models import Draw, Situation
from tests import factories as make
from tests.sessions.coding import Court, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    court = make_court(cast, plan="drawn")
    feet = court.area("feet")
    for number in range(1, 13):
        rally = make.make_rally(court.match, number, server=1 if number <= 6 else 3)
        for later in (2, 4, 6):
            end = "near" if number % 2 else "far"
            make.make_situation(court.analysis, rally, court.ana, feet, hit_s=rally.start_s + later, end=end)
    return court


def drawn(court: Court) -> set[str]:
    return {str(uuid) for uuid in Situation.objects.filter(drawn=True).values_list("uuid", flat=True)}


def test_the_first_of_a_random_order_are_drawn(court: Court) -> None:
    feet = court.area("feet")
    draw = make_draw(by=court.cast.assistant, analysis=court.analysis, area=feet, planned=12, seed=7)
    assert (len(draw.frame), len(draw.order), draw.planned, draw.seed) == (36, 36, 12, 7)
    assert drawn(court) == set(draw.order[:12]) == set(drawn_of(draw))
    by_uuid = {row["situation"]: row for row in draw.frame}
    # Four strata of nine; a third of each is drawn.
    assert Counter(row["stratum"] for row in draw.frame) == {
        "near-A": 9,
        "far-A": 9,
        "near-B": 9,
        "far-B": 9,
    }
    assert set(Counter(by_uuid[uuid]["stratum"] for uuid in draw.order[:12]).values()) == {3}
    assert draw.weights == {
        "taken": 12,
        "by_stratum": dict.fromkeys(Counter(row["stratum"] for row in draw.frame), 1.0),
        "unreached": [],
    }
    assert AuditEvent.objects.filter(action="draw.made").count() == 1


def test_the_order_is_that_of_the_stored_seed(court: Court) -> None:
    draw = make_draw(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), planned=5)
    names = sorted({row["stratum"] for row in draw.frame})
    again = draw_order(
        range(36),
        [names.index(row["stratum"]) for row in draw.frame],
        rng=np.random.default_rng(draw.seed),
    )
    assert [draw.frame[index]["situation"] for index in again.order] == draw.order
    assert [row["hit_s"] for row in draw.frame] == sorted(row["hit_s"] for row in draw.frame)


def test_ten_more_go_on_along_the_same_order(court: Court) -> None:
    feet, assistant = court.area("feet"), court.cast.assistant
    first = make_draw(by=assistant, analysis=court.analysis, area=feet, planned=6)
    more = draw_more(by=assistant, analysis=court.analysis, area=feet, more=10)
    assert (more.pk, more.order, more.planned) == (first.pk, first.order, 16)
    assert drawn(court) == set(first.order[:16])
    assert more.weights["taken"] == 16
    draw_more(by=assistant, analysis=court.analysis, area=feet, more=100)
    assert len(drawn(court)) == 36
    with pytest.raises(ValidationError) as refused:
        draw_more(by=assistant, analysis=court.analysis, area=feet)
    assert "planned" in refused.value.message_dict


def test_what_is_no_part_of_the_frame(court: Court) -> None:
    rows = list(Situation.objects.order_by("hit_s"))
    for row, change in zip(
        rows, ({"shown_only": True}, {"not_codable": "blocked view"}, {"dropped": True}), strict=False
    ):
        Situation.objects.filter(pk=row.pk).update(**change)
    rally = rows[-1].rally
    rally.dropped = True
    rally.save(update_fields=["dropped"])
    make.make_situation(court.analysis, rows[4].rally, court.ana, court.area("lob"))
    draw = make_draw(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), planned=99)
    assert len(draw.frame) == 30
    out = {str(row.uuid) for row in [*rows[:3], *rows[-3:]]}
    assert not out & set(draw.order)


def test_another_analysis_of_the_match_shares_the_draw(court: Court) -> None:
    feet = court.area("feet")
    cleo = Unit.objects.get(kind="player", first=court.cast.cleo)
    other = make.make_analysis(court.match, analyst=court.cast.head_coach, units=[cleo], plan="drawn")
    example = make.make_analysis(
        court.match, analyst=court.cast.head_coach, units=[court.ana], purpose="example"
    )
    rally = court.match.rallies.first()
    hers = make.make_situation(other, rally, cleo, feet)
    make.make_situation(example, rally, court.ana, feet)
    draw = make_draw(by=court.cast.assistant, analysis=court.analysis, area=feet, planned=37)
    assert len(draw.frame) == 37
    hers.refresh_from_db()
    assert hers.drawn
    with pytest.raises(ValidationError) as refused:
        make_draw(by=court.cast.head_coach, analysis=other, area=feet, planned=3)
    assert "area" in refused.value.message_dict


def refusal(court: Court, planned: int = 3, area: str = "feet") -> list[str]:
    with pytest.raises(ValidationError) as refused:
        make_draw(by=court.cast.assistant, analysis=court.analysis, area=court.area(area), planned=planned)
    return list(getattr(refused.value, "message_dict", {"": 1}))


def test_what_is_refused(court: Court) -> None:
    assert refusal(court, planned=0) == ["planned"]
    assert refusal(court, area="lob") == ["area"], "nothing is listed there"
    court.analysis.plan = "all"
    assert refusal(court) == ["area"]
    court.analysis.plan = "drawn"
    court.analysis.lens.filter(area__code="feet").delete()
    assert refusal(court) == ["area"]
    assert not Draw.objects.exists()
    assert not drawn(court)


def test_never_after_a_look_at_the_score(court: Court) -> None:
    feet, assistant = court.area("feet"), court.cast.assistant
    make_draw(by=assistant, analysis=court.analysis, area=feet, planned=3)
    for state in ("submitted", "published"):
        type(court.analysis).objects.filter(pk=court.analysis.pk).update(
            state=state, published_at=timezone.now() if state == "published" else None
        )
        with pytest.raises(ValidationError):
            draw_more(by=assistant, analysis=court.analysis, area=feet)
    # A new version of a published analysis may not draw either: its score was told.
    second = make.make_analysis(
        court.match, analyst=assistant, units=[court.ana], plan="drawn", supersedes=court.analysis, version=2
    )
    with pytest.raises(ValidationError) as refused:
        draw_more(by=assistant, analysis=second, area=feet)
    assert "published" in str(refused.value)
    assert len(drawn(court)) == 3


def test_the_margin_in_words(court: Court) -> None:
    draw = make_draw(
        by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), planned=12, seed=7
    )
    rallies = {row["situation"]: row["rally"] for row in draw.frame}
    said = []
    for taken in (12, 22):
        clusters = len({rallies[uuid] for uuid in draw.order[:taken]})
        said.append(f"{round(margin(taken, 36, clusters=clusters).half_width * 20) / 2:g}")
    assert margin_words(draw) == (
        f"With these 12 we know a share to within about {said[0]} in 10; with 10 more: {said[1]} in 10."
    )
    draw.planned = 30
    assert margin_words(draw).endswith(" in 10; the other 6 would complete it.")
    draw.planned = 36
    assert margin_words(draw) == "All 36 listed situations are drawn."


def test_the_endpoint(court: Court) -> None:
    client = court.cast.client(court.cast.assistant)

    def post(body: dict[str, Any]) -> Any:
        return client.post(f"{court.base}/draw/", body, content_type="application/json")

    answer = post({"area": "feet", "planned": 6})
    assert answer.status_code == 200
    assert (answer.json()["planned"], answer.json()["listed"], len(answer.json()["drawn"])) == (6, 36, 6)
    assert court.state()["draws"] == [answer.json()]
    assert post({"area": "feet", "planned": 6}).status_code == 400, "a second draw"
    more = post({"area": "feet", "planned": 16}).json()
    assert more["drawn"][:6] == answer.json()["drawn"]
    assert len(more["drawn"]) == 16
    assert post({"area": "lob", "planned": 6}).json() == {
        "area": ["No situation of this area is listed yet."]
    }
    assert post({"area": "none", "planned": 6}).status_code == 404
    assert post({"area": "feet"}).status_code == 400
    for person, status in (
        (court.cast.head_coach, 403),
        (court.cast.student, 403),
        (court.cast.stranger, 404),
    ):
        other = court.cast.client(person)
        body = {"area": "feet", "planned": 20}
        assert other.post(f"{court.base}/draw/", body, content_type="application/json").status_code == status
    court.analysis.state = "submitted"
    court.analysis.save(update_fields=["state"])
    assert post({"area": "feet", "planned": 20}).status_code == 409
    assert len(drawn(court)) == 16


def test_only_drawn_situations_of_closed_rallies_count(court: Court) -> None:
    make_draw(by=court.cast.assistant, analysis=court.analysis, area=court.area("feet"), planned=36)
    assert Situation.objects.counted().count() == 0
    device = court.device()
    rally = court.match.rallies.first()
    assert device.do("area.close", f"{rally.uuid}/feet", {"situations": 3})["status"] == "applied"
    assert Situation.objects.counted().count() == 3
