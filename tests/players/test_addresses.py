"""The address of somebody who has no account yet: who sees and writes it, and that it alone sends nothing."""

import uuid

import pytest
from django.core import mail
from django.core.exceptions import ValidationError
from django.urls import reverse

from players import services
from tests import factories as make

pytestmark = pytest.mark.django_db
ADDRESS = "dan.at.home@example.org"


def url(name, *args):
    return reverse(name, args=["seaside", *args])


@pytest.fixture
def dan(cast):
    cast.dan.email = ADDRESS
    cast.dan.save(update_fields=["email"])
    return cast.dan


def invite_form(client, **query):
    return client.get(url("invite"), query).context["form"]["email"].value()


@pytest.mark.parametrize(
    ("who", "sees"), [("manager", True), ("head_coach", True), ("assistant", False), ("all_in_one", False)]
)
def test_on_the_page_for_who_edits_the_roster(cast, dan, who, sees):
    page = cast.client(getattr(cast, who)).get(url("player", dan.uuid)).content.decode()
    assert (ADDRESS in page) is sees


@pytest.mark.parametrize("who", ["student", "guardian", "all_in_one", "assistant", "stranger"])
def test_nobody_else_reads_it_anywhere_about_the_player(cast, dan, who):
    client = cast.client(getattr(cast, who))
    paths = [
        url("player", dan.uuid),
        url("player_edit", dan.uuid),
        url("student_page", dan.uuid),
        url("roster"),
    ]
    paths += [f"/c/seaside/api/v1/players/{dan.uuid}/", "/c/seaside/api/v1/players/", url("invite")]
    for path in paths:
        assert ADDRESS not in client.get(path).content.decode(), path


def test_one_s_own_is_on_no_page_of_a_student(cast):
    cast.ana.email = ADDRESS
    cast.ana.save(update_fields=["email"])
    for path in (url("student_page", cast.ana.uuid), f"/c/seaside/api/v1/players/{cast.ana.uuid}/"):
        answer = cast.client(cast.student).get(path)
        assert answer.status_code == 200
        assert ADDRESS not in answer.content.decode()


def test_written_by_the_form_and_nothing_is_sent(cast):
    client = cast.client(cast.manager)
    sent = {"given_name": "Nora", "hand": "left", "email": f" {ADDRESS} "}
    client.post(url("player_new"), sent)
    player = make.Player.objects.get(given_name="Nora")
    assert player.email == ADDRESS
    client.post(url("player_edit", player.uuid), {**sent, "email": "other@example.org"})
    player.refresh_from_db()
    assert player.email == "other@example.org"
    client.post(url("player_edit", player.uuid), {**sent, "email": ""})
    player.refresh_from_db()
    assert player.email == ""
    assert mail.outbox == []


@pytest.mark.parametrize("email", ["no address", "a@b", "x" * 250 + "@example.org"])
def test_no_address_is_refused_by_service_and_form(cast, email):
    with pytest.raises(ValidationError) as error:
        services.edit_player(by=cast.manager, player=cast.dan, email=email)
    assert list(error.value.message_dict) == ["email"]
    sent = {"given_name": "Dan", "hand": "right", "email": email}
    answer = cast.client(cast.manager).post(url("player_edit", cast.dan.uuid), sent)
    assert answer.status_code == 422
    assert "email" in answer.context["form"].errors


def test_offered_when_this_player_is_invited(cast, dan):
    client = cast.client(cast.manager)
    page = client.get(url("player", dan.uuid)).content.decode()
    link = f"{url('invite')}?role=student&amp;person={dan.uuid}"
    assert link in page
    assert invite_form(client, role="student", person=dan.uuid) == ADDRESS
    assert mail.outbox == []


def test_what_is_typed_takes_its_place(cast, dan, django_capture_on_commit_callbacks):
    sent = {"email": "new@example.org", "role": "student", "person": dan.uuid, "language": "en"}
    query = f"?role=student&person={dan.uuid}"
    with django_capture_on_commit_callbacks(execute=True):
        cast.client(cast.manager).post(url("invite") + query, sent)
    assert [message.to for message in mail.outbox] == [["new@example.org"]]


def test_offered_for_no_other_invitation(cast, dan):
    client = cast.client(cast.manager)
    assert invite_form(client, role="guardian", person=dan.uuid) == ""
    assert invite_form(client, person=dan.uuid) == ""
    assert invite_form(client, role="student") == ""
    assert invite_form(client, role="student", person="nobody") == ""
    assert invite_form(client, role="student", person=uuid.uuid4()) == ""
    cast.other_player.email = "otto@example.org"
    cast.other_player.save(update_fields=["email"])
    assert invite_form(client, role="student", person=cast.other_player.uuid) == ""
    assert invite_form(client, role="student", person=cast.ana.uuid) == ""
