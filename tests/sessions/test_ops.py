"""Operations: every kind applied, every refusal, repeats, gaps, stale revisions, undo, and whoever may not."""

import uuid
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied

from clubcoach.models import AuditEvent
from players.models import Check, CheckListVersion, CheckWording, Unit
from sessions.models import Analysis, Closure, Mark, Op, Rally, RallyEdit, Situation
from sessions.ops.engine import apply_ops
from tests import factories as make
from tests.sessions.coding import Court, Device, make_court


@pytest.fixture
def court(cast: Any) -> Court:
    return make_court(cast)


@pytest.fixture
def device(court: Court) -> Device:
    return court.device()


def new() -> str:
    return str(uuid.uuid4())


# Every kind


def test_a_rally_is_added_set_and_dropped_with_its_history(court: Court, device: Device) -> None:
    target = device.rally(number=1, start=12.5, end=None, server=2)
    result = device.do("rally.set", target, {"end_s": 20, "winner": "B", "side": "left"}, base_rev=1)
    assert (result["status"], result["rev"]) == ("applied", 2)
    assert result["row"] == {
        "uuid": target,
        "number": 1,
        "start_s": 12.5,
        "end_s": 20.0,
        "server": 2,
        "winner": "B",
        "near_pair": "",
        "side": "left",
        "score_set": None,
        "reason": "",
        "net_pair": "",
        "ended_by": None,
        "ended_how": "",
        "timed": True,
        "dropped": False,
        "rev": 2,
    }
    rally = Rally.objects.get(uuid=target)
    assert (rally.match, rally.winner, rally.end_s) == (court.match, "B", 20.0)
    device.do("rally.drop", target, base_rev=2)
    rally.refresh_from_db()
    assert rally.dropped
    edits = list(RallyEdit.objects.filter(rally=rally).values_list("before", "after", "by"))
    assert edits[1] == (
        {"end_s": None, "winner": "", "side": ""},
        {"end_s": 20.0, "winner": "B", "side": "left"},
        court.cast.assistant.pk,
    )
    assert edits[2][1] == {"dropped": True}


def test_a_score_is_set_with_its_reason_and_moves_the_ledger(court: Court, device: Device) -> None:
    target = device.rally(winner="A")
    score = {"sets": [[6, 4]], "games": [2, 1], "points": [2, 3]}
    device.do("rally.set", target, {"score_set": score, "reason": "the film starts late"})
    ledger = court.state()["rallies"][0]["ledger"]
    assert ledger["before"] == "6-4 2-1 30-40"
    assert ledger["contradictions"] == []


def test_a_situation_is_added_set_and_dropped(court: Court, device: Device) -> None:
    rally = device.rally()
    target = device.situation(rally, court.ana, "feet", hit_s=21.25, ball="hard")
    result = device.do("situation.set", target, {"ball": "easy", "note": "late"}, base_rev=1)
    assert (result["rev"], result["row"]["ball"], result["row"]["note"]) == (2, "easy", "late")
    assert result["row"]["unit"] == court.ana.pk
    device.do("situation.drop", target)
    row = Situation.objects.get(uuid=target)
    assert (row.dropped, row.hit_s, row.rev) == (True, 21.25, 3)
    assert court.state()["situations"] == []


def test_a_mark_is_set_changed_and_cleared_and_its_revision_goes_on(court: Court, device: Device) -> None:
    target = f"{device.situation(device.rally(), court.ana, 'feet')}/F1"
    assert device.do("mark.set", target, {"value": "met"}, 0)["rev"] == 1
    assert device.do("mark.set", target, {"value": "missed"}, 1)["rev"] == 2
    cleared = device.do("mark.set", target, {"value": None}, 2)
    assert (cleared["rev"], cleared["row"]["value"]) == (3, None)
    assert not Mark.objects.exists()
    assert court.state()["situations"][0]["marks"] == {"F1": {"value": None, "rev": 3}}
    # A device that was away and knew revision 1 must not take the new mark for its own.
    assert device.do("mark.set", target, {"value": "not_seen"}, 3)["rev"] == 4
    assert device.do("mark.set", target, {"value": "met"}, 1)["status"] == "conflict"
    assert Mark.objects.get().value == "not_seen"


def test_an_area_is_closed_and_opened_in_a_rally(court: Court, device: Device) -> None:
    rally = device.rally()
    device.situation(rally, court.ana, "feet")
    device.situation(rally, court.ana, "feet", hit_s=24.0, shown_only=True)
    target = f"{rally}/feet"
    assert device.do("area.close", target, {"situations": 1})["status"] == "applied"
    assert Closure.objects.get().situations == 1
    assert device.do("area.open", target)["row"]["situations"] is None
    assert not Closure.objects.exists()
    assert device.do("area.close", target, {"situations": 1})["rev"] == 3


def test_the_first_operation_moves_the_state_and_says_so_in_the_audit_trail(
    court: Court, device: Device
) -> None:
    refused = device.do("rally.add", new(), {"number": 0, "start_s": 1})
    assert refused["status"] == "refused"
    court.analysis.refresh_from_db()
    assert court.analysis.state == "assigned"
    device.rally()
    court.analysis.refresh_from_db()
    assert court.analysis.state == "in_progress"
    assert AuditEvent.objects.filter(action="analysis.begun", actor=court.cast.assistant).count() == 1


def test_a_rally_that_was_overlooked_takes_its_number_and_gives_it_back(court: Court, device: Device) -> None:
    first, third = device.rally(1, 10, 15), device.rally(2, 30, 35)
    middle = device.do("rally.add", new(), {"number": 2, "start_s": 20, "end_s": 25})
    assert [row["number"] for row in court.state()["rallies"]] == [1, 2, 3]
    assert [row["uuid"] for row in court.state()["rallies"]] == [first, middle["row"]["uuid"], third]
    undone = device.undo(middle)
    assert [row["number"] for row in court.state()["rallies"]] == [1, 2]
    device.undo(undone)
    assert [row["number"] for row in court.state()["rallies"]] == [1, 2, 3]


# Every refusal, with its field; nothing is written


RALLY_REFUSALS = [
    ("rally.add", {"start_s": 1}, "number"),
    ("rally.add", {"number": 1}, "start_s"),
    ("rally.add", {"number": 1.5, "start_s": 1}, "number"),
    ("rally.add", {"number": True, "start_s": 1}, "number"),
    ("rally.add", {"number": 1, "start_s": -1}, "start_s"),
    ("rally.add", {"number": 1, "start_s": "soon"}, "start_s"),
    ("rally.add", {"number": 1, "start_s": 10, "end_s": 10}, "end_s"),
    ("rally.add", {"number": 1, "start_s": 1, "server": 5}, "server"),
    ("rally.add", {"number": 1, "start_s": 1, "winner": "C"}, "winner"),
    ("rally.add", {"number": 1, "start_s": 1, "near_pair": "left"}, "near_pair"),
    ("rally.add", {"number": 1, "start_s": 1, "side": "far"}, "side"),
    ("rally.add", {"number": 1, "start_s": 1, "net_pair": "C"}, "net_pair"),
    ("rally.add", {"number": 1, "start_s": 1, "ended_by": 0}, "ended_by"),
    ("rally.add", {"number": 1, "start_s": 1, "ended_how": "luck"}, "ended_how"),
    ("rally.add", {"number": 1, "start_s": 1, "score_set": {"games": "6"}}, "score_set"),
    ("rally.add", {"number": 1, "start_s": 1, "reason": "x" * 201}, "reason"),
    ("rally.add", {"number": 1, "start_s": 1, "colour": "red"}, "colour"),
]


@pytest.mark.parametrize(("kind", "body", "field"), RALLY_REFUSALS)
def test_a_rally_is_refused_at_its_field(device: Device, kind: str, body: Any, field: str) -> None:
    result = device.do(kind, new(), body)
    assert (result["status"], result["field"]) == ("refused", field)
    assert result["message"]
    assert not Rally.objects.exists()


def test_rally_targets_that_are_refused(court: Court, device: Device) -> None:
    there = device.rally()
    elsewhere = make.make_rally(make.make_match(court.cast.club))
    body = {"number": 2, "start_s": 50}
    for target in (there, "no-uuid", str(elsewhere.uuid)):
        assert device.do("rally.add", target, body)["field"] == "target"
    for target in (new(), str(elsewhere.uuid)):
        assert device.do("rally.set", target, {"winner": "A"})["field"] == "target"
    assert device.do("rally.set", there, {})["field"] == "body"
    device.do("rally.drop", there)
    assert device.do("rally.set", there, {"winner": "A"})["field"] == "target"
    assert device.do("rally.drop", there)["field"] == "target"


def test_a_rally_keeps_its_situations(court: Court, device: Device) -> None:
    rally = device.rally(1, 20, 30)
    device.situation(rally, court.ana, "feet", hit_s=25)
    assert device.do("rally.set", rally, {"start_s": 26})["field"] == "start_s"
    assert device.do("rally.set", rally, {"end_s": 24})["field"] == "end_s"
    assert device.do("rally.drop", rally)["field"] == "target"
    assert device.do("rally.set", rally, {"start_s": 24, "end_s": 26})["status"] == "applied"


def test_situations_of_another_analysis_hold_the_rally_too(court: Court, device: Device) -> None:
    rally = device.rally(1, 20, 30)
    other = make.make_analysis(
        court.match, analyst=court.cast.head_coach, units=[court.ana], purpose="second"
    )
    make.make_situation(other, Rally.objects.get(uuid=rally), court.ana, court.area("feet"))
    assert device.do("rally.drop", rally)["field"] == "target"


SITUATION_REFUSALS = [
    ({"hit_s": 19.9}, "hit_s"),
    ({"hit_s": 30.1}, "hit_s"),
    ({"hit_s": None}, "hit_s"),
    ({"end": "middle"}, "end"),
    ({"end": ""}, "end"),
    ({"trigger": "deep"}, "trigger"),
    ({"choice": "flat"}, "choice"),
    ({"ball": "heavy"}, "ball"),
    ({"outcome": "luck"}, "outcome"),
    ({"shown_only": 1}, "shown_only"),
    ({"area": "glass"}, "area"),
    ({"area": 7}, "area"),
    ({"unit": 999999}, "unit"),
    ({"unit": "1"}, "unit"),
    ({"rally": str(uuid.UUID(int=1))}, "rally"),
    ({"rally": "first"}, "rally"),
    ({"marks": {}}, "marks"),
]


@pytest.mark.parametrize(("wrong", "field"), SITUATION_REFUSALS)
def test_a_situation_is_refused_at_its_field(court: Court, device: Device, wrong: Any, field: str) -> None:
    rally = device.rally(1, 20, 30)
    body = {"rally": rally, "unit": court.ana.pk, "area": "feet", "hit_s": 25, "end": "near", **wrong}
    result = device.do("situation.add", new(), body)
    assert (result["status"], result["field"]) == ("refused", field)
    assert not Situation.objects.exists()


def test_a_situation_needs_a_unit_that_is_covered_and_fits_the_area(court: Court, device: Device) -> None:
    rally = device.rally()
    cleo = Unit.objects.get(kind="player", first=court.cast.cleo)
    for unit, area in ((cleo, "feet"), (court.pair, "feet"), (court.ana, "net")):
        body = {"rally": rally, "unit": unit.pk, "area": area, "hit_s": 25, "end": "near"}
        assert device.do("situation.add", new(), body)["field"] == "unit"
    device.situation(rally, court.pair, "net")


def test_an_area_outside_the_lens_is_refused(cast: Any) -> None:
    court = make_court(cast, areas=[])
    make.LensArea.objects.create(analysis=court.analysis, area=court.area("lob"))
    device = court.device()
    body = {"rally": device.rally(), "unit": court.ana.pk, "area": "feet", "hit_s": 25, "end": "near"}
    assert device.do("situation.add", new(), body)["field"] == "area"
    assert device.do("area.close", f"{body['rally']}/feet", {"situations": 0})["field"] == "area"


def test_situation_targets_that_are_refused(court: Court, device: Device) -> None:
    rally = device.rally()
    target = device.situation(rally, court.ana, "feet")
    body = {"rally": rally, "unit": court.ana.pk, "area": "feet", "hit_s": 25, "end": "near"}
    assert device.do("situation.add", target, body)["field"] == "target"
    assert device.do("situation.set", new(), {"ball": "hard"})["field"] == "target"
    assert device.do("situation.set", target, {"drawn": True})["field"] == "drawn"
    assert device.do("situation.set", target, {})["field"] == "body"
    device.do("situation.drop", target)
    assert device.do("situation.set", target, {"ball": "hard"})["field"] == "target"
    assert device.do("situation.drop", target)["field"] == "target"
    assert device.do("mark.set", f"{target}/F1", {"value": "met"})["field"] == "target"


def test_what_was_drawn_stays_and_is_answered_for(court: Court, device: Device) -> None:
    target = device.situation(device.rally(), court.ana, "feet")
    Situation.objects.update(drawn=True)
    assert device.do("situation.drop", target)["field"] == "target"
    assert device.do("situation.set", target, {"shown_only": True})["field"] == "shown_only"
    assert device.do("situation.set", target, {"not_codable": "blocked view"})["status"] == "applied"


MARK_REFUSALS = [
    ("F1", {"value": "perhaps"}, "value"),
    ("F1", {}, "value"),
    ("F1", {"value": "met", "ball": "hard"}, "ball"),
    ("F9", {"value": "met"}, "target"),
    ("L2", {"value": "met"}, "target"),
    ("", {"value": "met"}, "target"),
]


@pytest.mark.parametrize(("code", "body", "field"), MARK_REFUSALS)
def test_a_mark_is_refused_at_its_field(
    court: Court, device: Device, code: str, body: Any, field: str
) -> None:
    situation = device.situation(device.rally(), court.ana, "feet")
    result = device.do("mark.set", f"{situation}/{code}", body)
    assert (result["status"], result["field"]) == ("refused", field)
    assert not Mark.objects.exists()


def test_a_check_must_be_judged_at_its_end(court: Court, device: Device) -> None:
    rally = device.rally()
    far = device.situation(rally, court.ana, "feet", end="far")
    assert device.do("mark.set", f"{far}/F1", {"value": "met"})["field"] == "target"
    # F5 is judged at both ends, F3 is not among those asked: the end rule is strict, the asked set a default.
    assert device.do("mark.set", f"{far}/F5", {"value": "met"})["status"] == "applied"
    near = device.situation(rally, court.ana, "feet", hit_s=24)
    assert device.do("mark.set", f"{near}/F3", {"value": "met"})["status"] == "applied"
    result = device.do("situation.set", near, {"end": "far"})
    assert (result["field"], "F3" in result["message"]) == ("end", True)
    device.do("mark.set", f"{near}/F3", {"value": None})
    assert device.do("situation.set", near, {"end": "far"})["status"] == "applied"


def test_a_check_of_another_version_or_out_of_use_is_refused(court: Court, device: Device) -> None:
    situation = device.situation(device.rally(), court.ana, "feet")
    feet = court.area("feet")
    late = Check.objects.create(
        club=court.cast.club, code="F8", area=feet, unit="player", kind="doing", phase=8
    )
    version = CheckListVersion.objects.create(club=court.cast.club, number=2, data={})
    CheckWording.objects.create(version=version, check_identity=late, name="Late", met="a", missed="b")
    assert device.do("mark.set", f"{situation}/F8", {"value": "met"})["field"] == "target"
    Check.objects.filter(code="F2", club=court.cast.club).update(retired_on="2026-01-01")
    assert device.do("mark.set", f"{situation}/F2", {"value": "met"})["field"] == "target"


def test_closing_needs_the_count_that_is_there(court: Court, device: Device) -> None:
    rally = device.rally()
    situation = device.situation(rally, court.ana, "feet")
    target = f"{rally}/feet"
    assert device.do("area.close", target, {"situations": 0})["field"] == "situations"
    assert device.do("area.close", target, {"situations": 2})["field"] == "situations"
    assert device.do("area.close", target, {})["field"] == "situations"
    assert device.do("area.close", f"{new()}/feet", {"situations": 0})["field"] == "target"
    assert device.do("area.close", rally, {"situations": 1})["field"] == "target"
    assert device.do("area.close", target, {"situations": 1})["status"] == "applied"
    # What was counted stays true until the area is opened again.
    body = {"rally": rally, "unit": court.ana.pk, "area": "feet", "hit_s": 25, "end": "near"}
    assert device.do("situation.add", new(), body)["field"] == "area"
    assert device.do("situation.drop", situation)["field"] == "area"
    assert device.do("situation.set", situation, {"shown_only": True})["field"] == "area"
    assert device.do("situation.add", new(), {**body, "shown_only": True})["status"] == "applied"


def test_an_unknown_kind_is_refused_and_uses_its_number_up(device: Device) -> None:
    assert device.do("rally.burn", new())["field"] == "kind"
    assert device.do("rally.add", new(), {"number": 1, "start_s": 1})["status"] == "applied"


# Sequence


def test_a_repeat_returns_the_stored_result_and_changes_nothing(court: Court, device: Device) -> None:
    target = new()
    sent = device.op("rally.add", target, {"number": 1, "start_s": 5})
    first = device.send(sent)[0]
    device.do("rally.set", target, {"winner": "A"})
    again = device.send({**sent, "body": {"number": 9, "start_s": 99}})[0]
    assert again["status"] == "repeat"
    assert again["result"] == first
    assert Rally.objects.get().start_s == 5
    refused = device.do("rally.set", target, {"winner": "C"})
    assert device.send(refused["sent"])[0]["result"]["field"] == "winner"
    assert Op.objects.count() == 3


def test_a_gap_waits_and_nothing_after_it_is_applied(court: Court, device: Device) -> None:
    one, two, three = (device.op("rally.add", new(), {"number": n, "start_s": 10 * n}) for n in (1, 2, 3))
    results = device.send(three, two)
    assert [(row["status"], row["next"]) for row in results] == [("waiting", 1), ("waiting", 1)]
    assert not Op.objects.exists()
    # Whatever order they arrive in, they are applied by number and answered in the order sent.
    assert [row["seq"] for row in device.send(three, one, two)] == [3, 1, 2]
    assert list(Op.objects.order_by("pk").values_list("seq", flat=True)) == [1, 2, 3]


def test_a_number_that_another_operation_has_is_refused_and_the_next_is_told(
    court: Court, device: Device
) -> None:
    device.rally()
    device.seq = 0
    result = device.do("rally.add", new(), {"number": 2, "start_s": 50})
    assert (result["status"], result["field"], result["next"]) == ("refused", "seq", 2)
    assert Op.objects.count() == Rally.objects.count() == 1
    assert device.do("rally.add", new(), {"number": 2, "start_s": 50})["status"] == "applied"


def test_two_devices_number_their_operations_apart(court: Court) -> None:
    one, two = court.device(), court.device()
    rally = one.rally()
    assert two.do("rally.set", rally, {"winner": "A"}, base_rev=1)["status"] == "applied"
    assert court.state()["next_seq"] == {one.id: 2, two.id: 2}


# Stale revisions


def test_a_stale_revision_returns_both_values_and_changes_nothing(court: Court) -> None:
    one, two = court.device(), court.device()
    target = f"{one.situation(one.rally(), court.ana, 'feet')}/F1"
    one.do("mark.set", target, {"value": "met"}, 0)
    result = two.do("mark.set", target, {"value": "missed"}, 0)
    assert result["status"] == "conflict"
    assert (result["mine"], result["theirs"], result["rev"]) == ({"value": "missed"}, {"value": "met"}, 1)
    assert Mark.objects.get().value == "met"
    # Its number is used up; with the revision it was told, her choice is applied.
    assert two.do("mark.set", target, {"value": "missed"}, result["rev"])["status"] == "applied"
    assert Mark.objects.get().value == "missed"


def test_a_stale_revision_of_a_rally_a_situation_and_a_closure(court: Court) -> None:
    one, two = court.device(), court.device()
    rally = one.rally(winner="A")
    one.do("rally.set", rally, {"winner": "B", "side": "left"}, 1)
    result = two.do("rally.set", rally, {"winner": "none"}, 1)
    assert (result["mine"], result["theirs"], result["rev"]) == ({"winner": "none"}, {"winner": "B"}, 2)
    assert two.do("rally.drop", rally, base_rev=1)["status"] == "conflict"
    situation = one.situation(rally, court.ana, "feet")
    one.do("situation.set", situation, {"ball": "hard"}, 1)
    result = two.do("situation.set", situation, {"ball": "easy", "note": "mine"}, 1)
    assert result["theirs"] == {"ball": "hard", "note": ""}
    one.do("area.close", f"{rally}/feet", {"situations": 1}, 0)
    result = two.do("area.close", f"{rally}/feet", {"situations": 1}, 0)
    assert (result["status"], result["theirs"]) == ("conflict", {"situations": 1})


# Undo


def test_every_kind_is_undone_and_the_undo_is_undone(court: Court, device: Device) -> None:
    rally = device.rally(winner="A")
    situation = device.situation(rally, court.ana, "feet")
    steps = [
        ("rally.set", rally, {"winner": "B"}),
        ("situation.set", situation, {"ball": "hard", "hit_s": 24}),
        ("mark.set", f"{situation}/F1", {"value": "met"}),
        ("mark.set", f"{situation}/F1", {"value": "missed"}),
        ("mark.set", f"{situation}/F1", {"value": None}),
        ("area.close", f"{rally}/feet", {"situations": 1}),
        ("area.open", f"{rally}/feet", {}),
        ("rally.add", new(), {"number": 2, "start_s": 50}),
        (
            "situation.add",
            new(),
            {"rally": rally, "unit": court.ana.pk, "area": "lob", "hit_s": 25, "end": "near"},
        ),
    ]
    for kind, target, body in steps:
        before = plain(court.state())
        done = device.do(kind, target, body)
        assert done["status"] == "applied", done
        after = plain(court.state())
        assert after != before
        undone = device.undo(done)
        assert undone["status"] == "applied", undone
        assert plain(court.state()) == before, kind
        redone = device.undo(undone)
        assert redone["status"] == "applied", redone
        assert plain(court.state()) == after, kind


def plain(state: dict[str, Any]) -> dict[str, Any]:
    """The state without revisions, without rows that only remember one, and without where it stands."""

    def clean(value: Any) -> Any:
        if isinstance(value, dict):
            kept = {key: clean(one) for key, one in value.items() if key not in ("rev", "next_seq", "stamp")}
            return {key: one for key, one in kept.items() if one != {"value": None}}
        if isinstance(value, list):
            return [
                clean(one)
                for one in value
                if not (isinstance(one, dict) and one.get("situations", 1) is None)
            ]
        return value

    return clean(state)


def test_drops_are_undone(court: Court, device: Device) -> None:
    rally = device.rally()
    situation = device.situation(rally, court.ana, "feet")
    device.do("mark.set", f"{situation}/F1", {"value": "met"})
    before = plain(court.state())
    gone = device.do("situation.drop", situation)
    rally_gone = device.do("rally.drop", rally)
    assert court.state()["rallies"] == []
    device.undo(rally_gone)
    device.undo(gone)
    assert plain(court.state()) == before


def test_several_steps_on_one_row_are_undone_one_by_one(court: Court, device: Device) -> None:
    target = f"{device.situation(device.rally(), court.ana, 'feet')}/F1"
    steps = [device.do("mark.set", target, {"value": value}) for value in ("met", "missed", "not_seen")]
    for step, left in zip(reversed(steps), ("missed", "met", None), strict=True):
        assert device.undo(step)["row"]["value"] == left


def test_an_undo_does_not_overwrite_what_came_later(court: Court) -> None:
    one, two = court.device(), court.device()
    rally = one.rally()
    done = one.do("rally.set", rally, {"winner": "A"})
    two.do("rally.set", rally, {"winner": "B"})
    result = one.undo(done)
    assert (result["status"], result["mine"], result["theirs"]) == (
        "conflict",
        {"winner": ""},
        {"winner": "B"},
    )
    other = one.do("rally.set", rally, {"side": "left"})
    two.do("rally.set", rally, {"server": 3})
    assert one.undo(other)["status"] == "applied", "another field of the row is no obstacle"


def test_an_undo_keeps_to_the_rules(court: Court, device: Device) -> None:
    rally = device.do("rally.add", new(), {"number": 1, "start_s": 20, "end_s": 30})
    uuid_of_rally = rally["row"]["uuid"]
    device.situation(uuid_of_rally, court.ana, "feet")
    assert device.undo(rally)["field"] == "target", "a rally with situations is not taken back"
    opened = device.do("area.close", f"{uuid_of_rally}/lob", {"situations": 0})
    reopened = device.do("area.open", f"{uuid_of_rally}/lob")
    device.situation(uuid_of_rally, court.ana, "lob")
    assert device.undo(reopened)["field"] == "situations", "the count is not true any more"
    assert device.do("undo", new())["field"] == "target"
    assert device.do("undo", "last")["field"] == "target"
    refused = device.do("rally.set", uuid_of_rally, {"winner": "C"})
    assert device.undo(refused)["field"] == "target"
    assert opened["status"] == "applied"


# Who may, and when


@pytest.mark.parametrize("state", ["submitted", "published", "cancelled", "withdrawn"])
def test_a_version_that_is_over_takes_nothing_more(court: Court, device: Device, state: str) -> None:
    sent = device.op("rally.add", new(), {"number": 1, "start_s": 5})
    device.send(sent)
    published = {"published_at": "2026-09-02T10:00:00Z"} if state == "published" else {}
    Analysis.objects.filter(pk=court.analysis.pk).update(state=state, **published)
    late = device.op("rally.add", new(), {"number": 2, "start_s": 50})
    answer = device.post([sent, late])
    assert answer.status_code == 409
    assert answer.json()["message"]
    # What had arrived before is still answered, so that the device can let go of it.
    assert [row["op"] for row in answer.json()["results"]] == [sent["op"]]
    assert device.send(sent)[0]["status"] == "repeat"
    assert Rally.objects.count() == 1


def test_who_may_write(court: Court) -> None:
    cast = court.cast
    ops = [Device(cast.client(None), "").op("rally.add", new(), {"number": 1, "start_s": 5})]
    expected = {
        "manager": 403,
        "head_coach": 403,
        "assistant": 200,
        "student": 403,
        "guardian": 403,
        "all_in_one": 403,
        "two_clubs": 403,
        "stranger": 404,
        "anonymous": 401,
    }
    for name, person in cast.visitors().items():
        if name != "assistant":
            answer = Device(cast.client(person), court.base).post(ops)
            assert answer.status_code == expected[name], name
    assert not Op.objects.exists()
    assert court.device().post(ops).status_code == 200
    hers = court.base.replace(cast.club.slug, cast.other_club.slug)
    assert Device(cast.client(cast.stranger), hers).post(ops).status_code == 404


def test_an_analyst_who_was_replaced_is_refused(court: Court, device: Device) -> None:
    device.rally()
    court.analysis.analyst = make.make_analyst(court.cast.club, court.cast.two_clubs)
    court.analysis.save(update_fields=["analyst"])
    answer = device.post([device.op("rally.add", new(), {"number": 2, "start_s": 50})])
    assert answer.status_code == 403


def test_the_service_itself_takes_nothing_from_anybody_else(court: Court, device: Device) -> None:
    sent = device.op("rally.add", new(), {"number": 1, "start_s": 5})
    for person in (court.cast.head_coach, court.cast.student, court.cast.stranger):
        with pytest.raises(PermissionDenied):
            apply_ops(by=person, analysis=court.analysis, ops=[sent])
    assert not Op.objects.exists()


BODIES = [
    {},
    {"ops": []},
    {"ops": {}},
    {"ops": ["x"]},
    {"ops": [{"op": "x"}]},
    [],
    "ops",
]


@pytest.mark.parametrize("body", BODIES)
def test_a_body_that_is_no_list_of_operations(court: Court, body: Any) -> None:
    client = court.cast.client(court.cast.assistant)
    answer = client.post(f"{court.base}/ops/", body, content_type="application/json")
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": 0},
        {"seq": 2**40},
        {"base_rev": -1},
        {"kind": "x" * 25},
        {"target": "x" * 121},
        {"target": "\ud800"},
        {"body": []},
        {"body": {"reason": "a\u0000b"}},
        {"body": {"reason": "\ud800"}},
    ],
)
def test_one_malformed_operation_refuses_the_request(court: Court, device: Device, wrong: Any) -> None:
    good = device.op("rally.add", new(), {"number": 1, "start_s": 5})
    bad = {**device.op("rally.add", new(), {"number": 2, "start_s": 50}), **wrong}
    assert device.post([good, bad]).status_code == 400
    assert not Op.objects.exists()


def test_a_hundred_operations_at_most(device: Device) -> None:
    ops = [device.op("rally.add", new(), {"number": n, "start_s": 10 * n}) for n in range(1, 102)]
    assert device.post(ops).status_code == 400
    assert {row["status"] for row in device.send(*ops[:100])} == {"applied"}
