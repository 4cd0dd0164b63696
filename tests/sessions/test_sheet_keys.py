"""Keys of the sheet: a person's own in every club, refused where they would clash, and nobody else's."""

import json
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from clubcoach.models import Membership
from sessions import sheet_keys as keys
from sessions.models import SheetKeys
from tests import factories as make
from tests.sessions.coding import make_court


def change(cast: Any, act: str, code: str, printed: str = "", person: Any = None) -> dict[str, str]:
    return keys.set_key(user=person or cast.assistant, act=act, code=code, printed=printed)


def refused(cast: Any, act: str, code: str, printed: str = "") -> str:
    before = list(SheetKeys.objects.values())
    with pytest.raises(ValidationError) as caught:
        change(cast, act, code, printed)
    assert list(SheetKeys.objects.values()) == before
    return " ".join(caught.value.messages)


def test_every_act_has_a_key_of_its_own_that_may_be_used() -> None:
    usual = list(keys.USUAL.values())
    assert len(set(usual)) == len(keys.ACTS) == len(keys.BY_NAME)
    assert set(usual) <= set(keys.places())


def test_a_key_is_changed_and_only_what_differs_is_stored(cast: Any) -> None:
    assert change(cast, "met", "Home")["met"] == "Home"
    assert SheetKeys.objects.get().keys == {"met": "Home"}
    assert keys.keys_of(cast.assistant) == {**keys.USUAL, "met": "Home"}
    assert keys.keys_of(cast.head_coach) == keys.USUAL
    change(cast, "missed", "Digit1")
    change(cast, "met", "Digit2")
    assert SheetKeys.objects.get().keys == {"met": "Digit2", "missed": "Digit1"}
    change(cast, "missed", "End")
    change(cast, "met", "")
    assert SheetKeys.objects.get().keys == {"missed": "End"}
    assert keys.set_usual(user=cast.assistant) == keys.USUAL
    assert not SheetKeys.objects.exists()


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("Digit2", "This key is taken: missed."),
        ("Tab", "Tab leads from one part"),
        ("Escape", "Escape closes"),
        ("Insert", "Screen readers"),
        ("Numpad0", "Screen readers"),
        ("CapsLock", "Screen readers"),
        ("ShiftLeft", "changes what other keys do"),
        ("ControlRight", "changes what other keys do"),
        ("AltLeft", "changes what other keys do"),
        ("MetaLeft", "changes what other keys do"),
        ("F1", "needs this key"),
        ("F12", "needs this key"),
        ("PrintScreen", "needs this key"),
        ("no such key", "needs this key"),
        ("KeyF", "F is the letter of the area Feet and ready."),
    ],
)
def test_what_no_act_may_lie_on(cast: Any, code: str, words: str) -> None:
    make_court(cast)
    assert words in refused(cast, "met", code)


def test_an_act_that_is_none(cast: Any) -> None:
    assert "no such act" in refused(cast, "redo everything", "Home")


def test_the_usual_key_of_one_act_may_be_another_one_s_by_now(cast: Any) -> None:
    change(cast, "met", "Home")
    change(cast, "missed", "Digit1")
    assert "taken: missed" in refused(cast, "met", "")


def test_letters_of_every_club_of_the_person_by_what_is_printed(cast: Any) -> None:
    make_court(cast)
    assert "area" in refused(cast, "met", "Semicolon", printed="f")
    assert change(cast, "met", "KeyQ", printed="ä")["met"] == "KeyQ"
    other = make.make_club()
    other.areas.create(code="own", name="Own area", position=99, key="Q")
    assert change(cast, "missed", "KeyW")["missed"] == "KeyW"
    Membership.objects.create(user=cast.assistant, club=other, role="assistant")
    assert "Own area" in refused(cast, "hard", "KeyZ", printed="q")
    page = cast.client(cast.assistant).get(reverse("sheet_keys", args=[cast.club.slug]))
    assert "the letter of the area Own area now" in page.content.decode()


def test_what_is_stored_for_an_act_that_is_gone_is_passed_over(cast: Any) -> None:
    SheetKeys.objects.create(user=cast.assistant, keys={"gone": "Home", "met": "End"})
    assert keys.keys_of(cast.assistant) == {**keys.USUAL, "met": "End"}
    assert change(cast, "missed", "Home")["missed"] == "Home"
    assert SheetKeys.objects.get().keys == {"met": "End", "missed": "Home"}


class TestPage:
    def test_who_opens_it(self, cast: Any) -> None:
        address = reverse("sheet_keys", args=[cast.club.slug])
        statuses = {
            name: cast.client(getattr(cast, name)).get(address).status_code
            for name in ("manager", "head_coach", "assistant", "student", "guardian", "stranger")
        }
        assert statuses == {
            "manager": 403,
            "head_coach": 200,
            "assistant": 200,
            "student": 403,
            "guardian": 403,
            "stranger": 404,
        }
        from django.test import Client

        assert Client().get(address).status_code == 302
        assert Client().post(address, {"act": "met", "code": "Home"}).status_code == 302
        assert not SheetKeys.objects.exists()

    def test_each_writes_her_own(self, cast: Any) -> None:
        address = reverse("sheet_keys", args=[cast.club.slug])
        answer = cast.client(cast.assistant).post(address, {"act": "met", "code": "Home"}, follow=True)
        assert "Your keys are saved." in answer.content.decode()
        assert "Home" in answer.content.decode()
        cast.client(cast.head_coach).post(address, {"act": "met", "code": "End", "user": cast.assistant.pk})
        assert {row.user: row.keys for row in SheetKeys.objects.all()} == {
            cast.assistant: {"met": "Home"},
            cast.head_coach: {"met": "End"},
        }
        cast.client(cast.assistant).post(address, {"all": "usual"})
        assert [row.user for row in SheetKeys.objects.all()] == [cast.head_coach]

    def test_a_refusal_stands_at_its_field(self, cast: Any) -> None:
        address = reverse("sheet_keys", args=[cast.club.slug])
        answer = cast.client(cast.assistant).post(address, {"act": "met", "code": "Digit2"})
        assert answer.status_code == 422
        assert answer.context["form"].errors["code"] == ["This key is taken: missed. Change that one first."]

    def test_asked_by_a_script(self, cast: Any) -> None:
        address = reverse("sheet_keys", args=[cast.club.slug])
        client = cast.client(cast.assistant)

        def post(**body: str) -> Any:
            return client.post(address, body, headers={"accept": "application/json"})

        assert post(act="met", code="Home").json() == {"keys": {**keys.USUAL, "met": "Home"}}
        answer = post(act="met", code="Escape")
        assert (answer.status_code, answer.json()) == (422, {"message": "Escape closes what is open."})
        assert post().status_code == 422
        assert post(act="met", code="x" * 5000).status_code == 422
        assert post(all="usual").json() == {"keys": keys.USUAL}

    def test_the_sheet_is_told(self, cast: Any) -> None:
        court = make_court(cast)
        change(cast, "met", "Home")
        page = cast.client(cast.assistant).get(reverse("sheet", args=[cast.club.slug, court.analysis.uuid]))
        told = page.context["sheet_config"]["keys"]
        assert told["keys"]["met"] == "Home"
        assert [row["act"] for row in told["acts"]] == [act.name for act in keys.ACTS]
        assert not [
            row["act"] for row in told["acts"] if row["holds"] and row["act"] in ("met", "done", "undo")
        ]
        assert json.dumps(told)
