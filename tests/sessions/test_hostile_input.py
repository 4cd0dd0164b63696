"""Bodies that no device of ours sends: each is refused with a sentence, and nothing of it is written."""

import json
import uuid

import pytest
from django.test import Client
from django.urls import reverse

from clubcoach.models import ApiToken
from sessions.models import Op, Rally
from tests.sessions.coding import make_court

OPS = "application/json"
STRANGE = [
    None,
    True,
    -1,
    0,
    1.5,
    10**30,
    10**4000,
    1e300,
    "",
    "a\x00b",
    "\ud800",
    "x" * 100_000,
    [],
    [[]],
    {},
    {"a": {"b": [1, None]}},
    "٣",
    "NaN",
]
RALLY_BODY = {"number": 1, "start_s": 20, "end_s": 30}


@pytest.fixture
def court(cast):
    return make_court(cast)


@pytest.fixture
def client(cast):
    return cast.client(cast.assistant)


def path_of(court, name="analysis_ops"):
    return reverse(f"api:{name}", args=["seaside", court.analysis.uuid])


def one(**changed):
    row = {
        "op": str(uuid.uuid4()),
        "device": str(uuid.uuid4()),
        "seq": 1,
        "kind": "rally.add",
        "target": str(uuid.uuid4()),
        "base_rev": None,
        "body": dict(RALLY_BODY),
    }
    return {**row, **changed}


def refused(answer):
    """Either the whole body is no list of operations, or each operation got its refusal."""
    if answer.status_code == 400:
        return True
    return answer.status_code == 200 and all(
        row["status"] in ("refused", "waiting") for row in answer.json()["results"]
    )


def post(client, path, text):
    return client.generic("POST", path, text, content_type=OPS)


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"null",
        b"[]",
        b'"ops"',
        b"12",
        b'{"ops": null}',
        b'{"ops": {}}',
        b'{"ops": []}',
        b'{"ops": [null]}',
        b'{"ops": [[]]}',
        b'{"ops": ["x"]}',
        b'{"ops": NaN}',
        b'{"ops": [Infinity]}',
        b"\xff\xfe",
        b'{"ops": [1e999]}',
        b'{"ops": ' + b"9" * 5000 + b"}",
        pytest.param(b"[" * 100_000, id="deep"),
        pytest.param(b'{"ops":' * 50_000, id="deep objects"),
    ],
)
def test_what_is_no_list_of_operations_is_refused_as_a_whole(court, client, text):
    answer = post(client, path_of(court), text)
    assert answer.status_code == 400, answer.content[:200]
    assert not Op.objects.exists()


@pytest.mark.parametrize("field", ["op", "device", "seq", "kind", "target", "body"])
def test_a_field_of_a_strange_type_is_refused(court, client, field):
    for value in STRANGE:
        answer = post(client, path_of(court), json.dumps({"ops": [one(**{field: value})]}))
        # A whole number of 128 bits is an identifier, if an odd way of writing one.
        harmless = field in ("op", "device") and isinstance(value, int)
        assert refused(answer) or harmless, (field, repr(value)[:60], answer.content[:200])
        assert answer.status_code < 500
    if field not in ("op", "device"):
        assert not Rally.objects.exists()


@pytest.mark.parametrize(
    "field", ["number", "start_s", "end_s", "server", "winner", "near_pair", "side", "score_set", "reason"]
)
def test_a_strange_value_in_the_body_of_a_rally_never_breaks_the_server(court, client, field):
    for value in [*STRANGE, {"sets": "x"}, {"sets": [[1]], "games": [1e9, None], "points": {}}]:
        body = {**RALLY_BODY, "number": 9, field: value}
        answer = post(client, path_of(court), json.dumps({"ops": [one(body=body)]}))
        assert answer.status_code in (200, 400), (field, repr(value)[:60])
    for start, end, number in Rally.objects.values_list("start_s", "end_s", "number"):
        assert 0 <= start <= 86400
        assert end is None or end > start
        assert 1 <= number <= 9999


@pytest.mark.parametrize(
    "kind", ["situation.add", "situation.set", "mark.set", "area.close", "area.open", "undo"]
)
def test_strange_targets_and_bodies_of_every_kind_are_refused(court, client, kind):
    for value in STRANGE:
        target = value if isinstance(value, str) and value else f"{uuid.uuid4()}/{value!r}"[:120]
        body = {"rally": value, "unit": value, "area": value, "hit_s": value, "end": value}
        for sent in (body, {"value": value}, {"situations": value}, {str(value)[:90]: value}, {}):
            answer = post(
                client, path_of(court), json.dumps({"ops": [one(kind=kind, target=target, body=sent)]})
            )
            assert refused(answer), (kind, repr(value)[:60], answer.content[:200])


def test_a_body_that_goes_too_deep_is_refused_before_it_is_stored(court, client):
    for depth in (40, 200, 700, 900, 950, 970, 985):
        text = json.dumps({"ops": [one(body={"reason": "here"})]}).replace(
            '"here"', "[" * depth + "]" * depth
        )
        answer = post(client, path_of(court), text)
        assert answer.status_code == 400, depth
    assert not Op.objects.exists()


def test_a_body_larger_than_the_limit_is_not_read(court, client, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 10_000
    text = json.dumps({"ops": [one()], "filler": "x" * 20_000})
    _token, secret = ApiToken.issue(user=court.cast.assistant, name="a device")
    by_token = Client(headers={"Authorization": f"Token {secret}"})
    for sender in (client, by_token):
        assert post(sender, path_of(court), text).status_code == 413
    assert not Op.objects.exists()


@pytest.mark.parametrize("planned", [None, 0, -1, 1e9, "x", [], {}, 10**30])
def test_a_draw_of_a_strange_number_is_refused(court, client, planned):
    answer = post(client, path_of(court, "analysis_draw"), json.dumps({"area": "feet", "planned": planned}))
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "devices",
    [
        "[",
        "[]",
        "12",
        '"x"',
        "NaN",
        '{"x": 1}',
        "[" * 5000,
        '{"a":' * 3000,
        '{{"{}": {}}}'.format(uuid.UUID(int=1), "9" * 5000),
        '{{"{}": {}, "{}": {}}}'.format(uuid.UUID(int=1), "9" * 4300, uuid.UUID(int=2), "9" * 4300),
        f'{{"{uuid.UUID(int=1)}": -1}}',
        f'{{"{uuid.UUID(int=1)}": true}}',
        "x\x00",
    ],
    ids=lambda text: text[:20],
)
def test_strange_last_numbers_of_devices_are_refused_when_handing_in(court, client, devices):
    path = reverse("analysis_submit", args=["seaside", court.analysis.uuid])
    answer = client.post(path, {"devices": devices})
    assert answer.status_code == 422
    court.analysis.refresh_from_db()
    assert court.analysis.writable
