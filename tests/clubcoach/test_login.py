"""Getting in: by the form and by nothing else, and no word about who has an account."""

import re

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse

from clubcoach.models import User
from tests import factories as make

pytestmark = pytest.mark.django_db


def log_in(email, password, **fields):
    client = Client()
    answer = client.post(reverse("account_login"), {"login": email, "password": password, **fields})
    return client, answer


def words(answer):
    """The page without what differs each time."""
    text = re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", answer.content.decode())
    text = re.sub(r'"X-CSRFToken": "\w+"', "", text)
    return re.sub(r'value="[^"]*@[^"]*"', "", text)


def test_the_page_renders_with_its_fields_and_no_way_to_sign_up(cast):
    page = Client().get(reverse("account_login")).content.decode()
    assert 'name="login"' in page
    assert 'name="password"' in page
    assert reverse("account_signup") not in page


def test_the_form_lets_a_person_in_and_on_to_where_they_wanted(cast):
    client, answer = log_in(cast.student.email.upper(), make.PASSWORD)
    assert answer.status_code == 302
    assert answer["Location"] == reverse("home")
    assert client.session["_auth_user_id"] == str(cast.student.pk)
    roster = reverse("roster", args=["seaside"])
    _client, answer = log_in(cast.manager.email, make.PASSWORD, next=roster)
    assert answer["Location"] == roster
    _client, answer = log_in(cast.manager.email, make.PASSWORD, next="https://elsewhere.example/")
    assert "elsewhere" not in answer["Location"]


def test_a_wrong_password_and_an_unknown_address_read_the_same(cast):
    client, known = log_in(cast.student.email, "not-the-password")
    _client, unknown = log_in("nobody@example.org", "not-the-password")
    assert known.status_code == unknown.status_code == 200
    assert words(known) == words(unknown)
    assert "correct" in known.content.decode()
    assert "_auth_user_id" not in client.session


def test_a_forgotten_password_reads_the_same_for_everybody(cast):
    answers = [
        Client().post(reverse("account_reset_password"), {"email": email}, follow=True)
        for email in (cast.student.email, "nobody@example.org")
    ]
    assert words(answers[0]) == words(answers[1])
    assert cast.student.email in [message.to[0] for message in mail.outbox]


def test_a_closed_account_stays_out(cast):
    User.objects.filter(pk=cast.student.pk).update(is_active=False)
    client, _answer = log_in(cast.student.email, make.PASSWORD)
    assert "_auth_user_id" not in client.session


def test_nobody_signs_up_in_public(cast):
    before = User.objects.count()
    path = reverse("account_signup")
    fields = {"email": "me@example.org", "password1": make.PASSWORD, "given_name": "Me"}
    for answer in (Client().get(path), Client().post(path, fields)):
        assert "By invitation" in answer.content.decode()
        assert 'name="password1"' not in answer.content.decode()
    assert User.objects.count() == before


@pytest.mark.parametrize(
    ("name", "args"),
    [
        ("home", []),
        ("tokens", []),
        ("club_home", ["seaside"]),
        ("roster", ["seaside"]),
        ("invite", ["seaside"]),
        ("schema", []),
    ],
)
def test_pages_ask_who_one_is_first(cast, name, args):
    answer = Client().get(reverse(name, args=args))
    if name == "schema":
        assert answer.status_code == 401
    else:
        assert answer.status_code == 302
        assert answer["Location"].startswith(reverse("account_login"))


def test_logging_out_needs_a_click(cast):
    client, _answer = log_in(cast.student.email, make.PASSWORD)
    client.get(reverse("account_logout"))
    assert "_auth_user_id" in client.session
    client.post(reverse("account_logout"))
    assert "_auth_user_id" not in client.session
