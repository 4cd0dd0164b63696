"""What a large sheet weighs on the wire, and that rows say only what is not as in an empty row."""

import gzip
import json
from typing import Any

from django.db import connection
from django.test.utils import CaptureQueriesContext

from sessions.models import Rally, Situation
from sessions.ops.rows import shown_rally, shown_situation
from sessions.sparse import EMPTY, full, sparse
from tests.sessions.coding import make_court
from tests.sessions.large_sheet import large_sheet

GZIP = {"Accept-Encoding": "gzip"}


def test_two_thousand_situations_are_small_on_the_wire_and_cost_no_more_queries(cast: Any) -> None:
    client = cast.client(cast.assistant)

    def read(court: Any) -> tuple[bytes, int]:
        with CaptureQueriesContext(connection) as caught:
            answer = client.get(f"{court.base}/state/", headers=GZIP)
        assert answer["Content-Encoding"] == "gzip"
        return answer.content, len(caught)

    few, queries_of_few = read(large_sheet(cast, rallies=4, situations=20))
    many, queries_of_many = read(large_sheet(cast))
    assert queries_of_many == queries_of_few <= 34
    written = gzip.decompress(many)
    assert len(json.loads(written)["situations"]) == 2000
    assert len(many) < 300_000
    assert len(written) < 700_000
    assert len(few) < 10_000


def test_who_takes_nothing_compressed_gets_it_plain(cast: Any) -> None:
    court = large_sheet(cast, rallies=2, situations=4)
    answer = cast.client(cast.assistant).get(f"{court.base}/state/")
    assert "Content-Encoding" not in answer
    assert "Accept-Encoding" in answer["Vary"]
    assert len(answer.json()["situations"]) == 4


def test_a_row_filled_in_is_the_row(cast: Any) -> None:
    court = large_sheet(cast, rallies=2, situations=4)
    situation = Situation.objects.filter(analysis=court.analysis).order_by("hit_s").last()
    for name, value in {"note": "far post", "ball": "hard", "not_codable": "off_picture", "rev": 4}.items():
        setattr(situation, name, value)
    situation.save()
    rally = Rally.objects.filter(match=court.match).last()
    rally.server, rally.end_s, rally.rev = 3, None, 7
    rally.save()
    state = court.state()
    assert state["empty"] == EMPTY
    found = full("situation", {k: v for k, v in state["situations"][-1].items() if k != "marks"})
    assert found == shown_situation(situation, "feet", str(rally.uuid))
    own = full("rally", {k: v for k, v in state["rallies"][-1].items() if k != "ledger"})
    assert own == shown_rally(rally)
    assert set(state["situations"][0]) <= {"uuid", "rally", "unit", "area", "hit_s", "end", "ball", "marks"}


def test_an_empty_row_leaves_out_everything_and_no_other_value_is_lost(cast: Any) -> None:
    for kind, empty in EMPTY.items():
        assert sparse(kind, empty) == {}
        for name, value in empty.items():
            other = {**empty, name: 0 if value is None else None}
            assert sparse(kind, other) == {name: other[name]}
            assert full(kind, sparse(kind, other)) == other


def test_what_an_empty_row_is_agrees_with_a_row_that_only_began(cast: Any) -> None:
    """A field that is new in a row has to be told to be empty, or it is sent with every one of them."""
    court = make_court(cast)
    device = court.device()
    rally = device.rally(end=None)
    device.situation(rally, court.ana, "feet")
    state = court.state()
    assert set(state["rallies"][0]) == {"uuid", "number", "start_s", "ledger"}
    assert set(state["situations"][0]) == {"uuid", "rally", "unit", "area", "hit_s", "end", "marks"}
