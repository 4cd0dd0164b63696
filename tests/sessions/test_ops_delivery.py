"""However a network delivers operations - twice, late, in pieces, at once - the state is that of sending once."""

import threading
import uuid
from typing import Any

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sessions.models import Mark, Op, Rally, Situation
from sessions.ops.engine import apply_ops
from sessions.state import state_of
from tests.sessions.coding import Court, make_court

RALLY, OTHER, SITUATION = (str(uuid.UUID(int=n)) for n in (1, 2, 3))
DEVICES = [str(uuid.UUID(int=n)) for n in (11, 12)]


def script(court: Court) -> list[dict[str, Any]]:
    """A short coding on one device, and another device that works on rows of its own."""
    mark = f"{SITUATION}/F1"
    place = {"rally": RALLY, "unit": court.ana.pk, "area": "feet", "hit_s": 25, "end": "near"}
    first = [
        ("rally.add", RALLY, {"number": 1, "start_s": 20, "end_s": 30}, None),
        ("situation.add", SITUATION, place, None),
        ("mark.set", mark, {"value": "met"}, 0),
        ("mark.set", mark, {"value": "missed"}, 1),
        ("undo", op_id(0, 4), {}, None),
        ("rally.set", RALLY, {"winner": "C"}, 1),
        ("rally.set", RALLY, {"winner": "A"}, 1),
        ("mark.set", f"{SITUATION}/F2", {"value": "not_seen"}, 0),
        ("mark.set", f"{SITUATION}/F2", {"value": None}, 1),
        ("area.close", f"{RALLY}/feet", {"situations": 1}, 0),
        ("rally.set", RALLY, {"winner": "B"}, 1),
    ]
    second = [
        ("rally.add", OTHER, {"number": 7, "start_s": 70, "winner": "B"}, None),
        ("rally.set", OTHER, {"side": "left"}, 1),
        ("area.close", f"{OTHER}/lob", {"situations": 0}, 0),
        ("rally.set", OTHER, {"side": "right"}, 1),
    ]
    rows = []
    for device, steps in enumerate((first, second)):
        for seq, (kind, target, body, base_rev) in enumerate(steps, 1):
            row = {"op": op_id(device, seq), "device": DEVICES[device], "seq": seq, "kind": kind}
            rows.append({**row, "target": target, "body": body, "base_rev": base_rev})
    return rows


def op_id(device: int, seq: int) -> str:
    return str(uuid.UUID(int=1000 * (device + 1) + seq))


def send(court: Court, ops: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return apply_ops(by=court.cast.assistant, analysis=court.analysis, ops=ops)


def settle(court: Court, ops: list[dict[str, Any]]) -> None:
    """What the sheet does in the end: send what is left, in order."""
    assert not any(row["status"] == "waiting" for row in send(court, ops))


def outcome(court: Court) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    answers = list(Op.objects.order_by("device", "seq").values_list("result", flat=True))
    return state_of(court.analysis, by=court.cast.assistant), answers


class _RollBack(Exception):
    pass


def after(court: Court, deliveries: list[list[int]]) -> Any:
    ops = script(court)
    try:
        with transaction.atomic():
            for picks in deliveries:
                send(court, [ops[index] for index in picks])
            settle(court, ops)
            result = outcome(court)
            raise _RollBack
    except _RollBack:
        return result


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(st.lists(st.integers(0, 14), min_size=1, max_size=20), max_size=8))
def test_any_delivery_leads_to_the_state_of_sending_once(court: Court, deliveries: list[list[int]]) -> None:
    assert len(script(court)) == 15
    once_state, once_answers = after(court, [])
    state, answers = after(court, deliveries)
    assert state["rallies"][0]["winner"] == "A"
    assert state["situations"][0]["marks"]["F1"]["value"] == "met"
    assert state == once_state
    assert answers == once_answers


@pytest.mark.django_db(transaction=True)
def test_the_same_batch_in_two_requests_at_once_is_applied_once(cast: Any) -> None:
    court = make_court(cast)
    ops = script(court)
    answers: list[list[str]] = []
    ready = threading.Barrier(4)

    def request() -> None:
        ready.wait()
        try:
            answers.append([row["status"] for row in send(court, ops)])
        finally:
            connection.close()

    threads = [threading.Thread(target=request) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 4
    first_time = [row for row in answers if "repeat" not in row]
    assert len(first_time) == 1
    assert first_time[0].count("refused") == 1
    assert first_time[0].count("conflict") == 2
    assert all(set(row) == {"repeat"} for row in answers if row is not first_time[0])
    assert (Op.objects.count(), Rally.objects.count(), Situation.objects.count()) == (15, 2, 1)
    assert Mark.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_devices_at_once_lose_nothing(cast: Any) -> None:
    court = make_court(cast)
    ready = threading.Barrier(2)
    failed: list[Any] = []

    def code(device: str, start: int) -> None:
        ready.wait()
        try:
            for seq in range(1, 16):
                body = {"number": start + seq, "start_s": 10 * (start + seq)}
                row = {"op": uuid.uuid4(), "device": device, "seq": seq, "kind": "rally.add"}
                answer = send(court, [{**row, "target": str(uuid.uuid4()), "body": body}])
                if answer[0]["status"] != "applied":
                    failed.append(answer)
        finally:
            connection.close()

    threads = [threading.Thread(target=code, args=pair) for pair in zip(DEVICES, (0, 100), strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    assert Rally.objects.count() == 30
