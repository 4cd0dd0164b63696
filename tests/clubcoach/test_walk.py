"""Every address, tried by nine kinds of visitor, and again as a member of another club."""

import pytest
from django.db import transaction

from clubcoach.access import Can, viewer_for
from sessions.models import Analysis
from tests.clubcoach.walk import Route, address, build_world, routes

pytestmark = pytest.mark.django_db

# Addresses outside a club that nobody needs to log in for, each with its reason.
OPEN = {
    "healthz": "whether the program answers, for the machine that watches it",
    "invitation": "the secret in the address is the key",
    "account_login": "where one logs in",
    "account_signup": "says that there is no public sign-up",
    "account_logout": "logging out twice is no error",
    "account_inactive": "says that the account is closed",
    "account_reset_password": "for somebody who cannot log in",
    "account_reset_password_done": "the same",
    "account_reset_password_from_key": "the secret in the address is the key",
    "account_reset_password_from_key_done": "the same",
    "account_confirm_email": "the secret in the address is the key",
    "account_email_verification_sent": "says that a mail was sent",
    "account_request_login_code": "part of logging in",
    "account_confirm_login_code": "part of logging in",
    "mfa_authenticate": "the second step of logging in",
    "mfa_login_webauthn": "logging in with a passkey",
    "mfa_signup_webauthn": "part of a sign-up that is closed",
    "mfa_trust": "part of logging in",
}
CLUB = [route for route in routes() if route.in_club]
OUTSIDE = [route for route in routes() if not route.in_club]


def show(route: Route) -> str:
    return route.name or route.path


def ask(client, method, path):
    """The status of a request whose effect is taken back."""
    with transaction.atomic():
        answer = client.generic(method, path, content_type="application/x-www-form-urlencoded")
        if getattr(answer, "streaming", False):
            # Read to its end, as a server does: closed by hand it would close the test's connection with it.
            list(answer.streaming_content)
        transaction.set_rollback(True)
    return answer


def test_the_walk_finds_the_program():
    names = {route.name for route in CLUB}
    for name in ("desk", "queue", "sheet", "student_page", "programme", "roster", "film_bytes"):
        assert name in names
    assert len(CLUB) > 40


@pytest.mark.parametrize("route", CLUB, ids=show)
def test_every_address_of_a_club_declares_who_may_open_it(route):
    assert route.rights, (
        f"{route.path}: decorate the view with club_view(...), or give the API view its rights"
    )
    for needed in route.rights.values():
        assert needed <= set(Can)


@pytest.mark.parametrize("route", CLUB, ids=show)
def test_every_address_refuses_whom_it_should(route, cast, world):
    path = address(route, "seaside", world)
    for kind, person in cast.visitors().items():
        client = cast.client(person)
        for method in ("GET", "POST"):
            answer = ask(client, method, path)
            told = f"{kind} {method} {path} -> {answer.status_code}"
            if answer.status_code == 405:
                continue
            if kind == "anonymous":
                if route.api:
                    assert answer.status_code == 401, told
                else:
                    assert answer.status_code == 302, told
                    assert "/account/login/" in answer["Location"], told
            elif kind == "stranger":
                assert answer.status_code == 404, told
            else:
                viewer = viewer_for(person, "seaside")
                allowed = any(viewer.can(right) for right in route.rights.get(method, ()))
                if allowed:
                    # What the view itself refuses, for this object, is a 403 or 404 of its own.
                    assert answer.status_code < 500, told
                else:
                    assert answer.status_code == 403, told


@pytest.mark.parametrize("route", [route for route in CLUB if route.path.count("<") > 1], ids=show)
def test_objects_of_one_club_do_not_exist_at_another_club_s_address(route, cast, world):
    """The stranger is head coach at home: every right, but none of these objects."""
    path = address(route, "hilltop", world)
    client = cast.client(cast.stranger)
    for method in ("GET", "POST"):
        answer = ask(client, method, path)
        assert answer.status_code in (403, 404, 405), f"{method} {path} -> {answer.status_code}"
        if answer.status_code == 403:
            # Rights that no head coach has (a student's own page) end before the object is looked for.
            assert not any(
                viewer_for(cast.stranger, "hilltop").can(right) for right in route.rights.get(method, ())
            )


@pytest.mark.parametrize("route", OUTSIDE, ids=show)
def test_every_address_outside_a_club_needs_a_login_or_stands_on_the_short_list(route, cast):
    if "<" in route.path and route.name in OPEN:
        return
    path = "/" + route.path.replace("<int:pk>", "1").replace("^", "").replace("$", "")
    answer = ask(cast.client(None), "GET", path)
    if route.name in OPEN:
        assert not (answer.status_code == 302 and answer["Location"].startswith("/account/login/?next=")), (
            path
        )
        return
    if route.api:
        assert answer.status_code == 401, path
    else:
        assert answer.status_code in (302, 405), f"{path} -> {answer.status_code}"
        if answer.status_code == 302:
            assert "/account/login/" in answer["Location"], f"{path} -> {answer['Location']}"


def test_every_post_needs_its_token(cast, world):
    """Forms and the session's API calls alike; a token login has no cookie that could be misused."""
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.head_coach, backend="allauth.account.auth_backends.AuthenticationBackend")
    for route in CLUB:
        answer = ask(client, "POST", address(route, "seaside", world))
        assert answer.status_code in (403, 405), f"{route.path} -> {answer.status_code}"


def test_isolation_by_content(cast, world):
    """Two clubs full of marked texts: whoever opens whatever at home, nothing of the other club is in it."""
    other = cast.other_club
    from players.models import Player
    from tests import factories as make

    partner = make.make_player(other, "Olga hilltop")
    cast.other_player.level = make.make_level(other, name="Level hilltop")
    cast.other_player.save(update_fields=["level"])
    theirs = build_world(
        other,
        coach=cast.stranger,
        analyst=cast.stranger,
        player=cast.other_player,
        other=partner,
        mark="hilltop",
    )
    Player.objects.filter(club=other).update(family_name="Hilltopper-hilltop")
    Player.objects.filter(club=cast.club).update(family_name="Seasider-seaside")
    seen_own = 0
    for slug, objects, people, foreign, own in (
        ("seaside", world, cast.visitors(), b"hilltop", b"seaside"),
        ("hilltop", theirs, {"head": cast.stranger, "student": cast.two_clubs}, b"seaside", b"hilltop"),
    ):
        for kind, person in people.items():
            client = cast.client(person)
            for route in CLUB:
                if "GET" not in (route.rights or {}):
                    continue
                answer = ask(client, "GET", address(route, slug, objects))
                body = b"" if answer.streaming else answer.content
                if person is cast.two_clubs:
                    body = body.replace(b"/c/hilltop/", b"").replace(b"/c/seaside/", b"")
                    body = body.replace(b"Hilltop Test Club", b"").replace(b"Seaside Test Club", b"")
                assert foreign not in body.lower(), f"{kind} {route.path}"
                seen_own += own in body and answer.status_code == 200
    assert seen_own > 40, "the pages show the marked texts at all"
    assert Analysis.objects.count() == 4
