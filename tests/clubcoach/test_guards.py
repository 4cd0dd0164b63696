"""What protects people's data around the pages: limits, secrets that stay secret, answers that nobody keeps."""

import logging
import re
import uuid

import pytest
from django.core.cache import caches
from django.test import Client
from django.urls import reverse

from clubcoach.models import ApiToken, Invitation, Membership, User
from tests import factories as make
from tests.clubcoach.walk import address, routes

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def fresh_counts(monkeypatch):
    """Counts of this test's own: emptying the cache would empty it for the test process beside this one too."""
    monkeypatch.setattr(caches["default"], "key_prefix", uuid.uuid4().hex)


def try_login(email, password, ip="192.0.2.1"):
    return Client(REMOTE_ADDR=ip).post(reverse("account_login"), {"login": email, "password": password})


class TestLimits:
    def test_wrong_passwords_close_one_account_for_a_while_and_no_other(self, cast):
        for n in range(10):
            assert try_login(cast.student.email, "wrong-password", ip=f"192.0.2.{n}").status_code == 200
        # Not even the right one, from wherever: else a list of passwords could be tried to its end.
        closed = try_login(cast.student.email, make.PASSWORD, ip="192.0.2.99")
        assert closed.status_code == 429 or b"Too many failed" in closed.content
        assert "_auth_user_id" not in closed.client.session
        assert try_login(cast.manager.email, make.PASSWORD).status_code == 302

    def test_wrong_tokens_are_counted_before_anything_else_is_looked_at(self, cast, settings):
        path = reverse("api:player-list", args=["seaside"])
        statuses = [
            Client(headers={"Authorization": f"Token wrong-{n}"}).get(path).status_code for n in range(40)
        ]
        assert statuses[0] == 401
        assert statuses[-1] == 429
        _token, secret = ApiToken.issue(user=cast.head_coach, name="in use")
        assert Client(headers={"Authorization": f"Token {secret}"}).get(path).status_code == 200

    def test_a_header_of_the_asker_s_own_starts_no_new_count(self, cast):
        path = reverse("api:player-list", args=["seaside"])
        statuses = [
            Client(headers={"Authorization": "Token wrong", "X-Forwarded-For": f"192.0.2.{n}"})
            .get(path)
            .status_code
            for n in range(40)
        ]
        assert statuses[-1] == 429

    def test_a_person_s_requests_to_the_json_interface_are_counted(self, cast, monkeypatch):
        from rest_framework.throttling import UserRateThrottle

        monkeypatch.setattr(UserRateThrottle, "THROTTLE_RATES", {"user": "3/min", "anon": "3/min"})
        client = cast.client(cast.head_coach)
        path = reverse("api:player-list", args=["seaside"])
        assert [client.get(path).status_code for _n in range(4)] == [200, 200, 200, 429]
        assert cast.client(cast.assistant).get(path).status_code == 200


class TestSecrets:
    def test_a_token_is_kept_as_a_digest_only(self, cast):
        token, secret = ApiToken.issue(user=cast.head_coach, name="a device")
        kept = [str(value) for value in ApiToken.objects.filter(pk=token.pk).values().get().values()]
        assert secret not in kept
        assert not any(secret in value for value in kept)

    def test_an_invitation_s_secret_is_in_no_line_of_the_log(self, cast, capsys, settings):
        _invitation, secret = Invitation.issue(
            club=cast.club, email="new@example.org", role="assistant", invited_by=cast.head_coach
        )
        path = reverse("invitation", args=[secret])
        stream = LogOf()
        with stream:
            assert Client().post(path, {"given_name": "N", "password": "short"}).status_code == 422
            Invitation.objects.update(expires_at=cast.club.created_at)
            assert Client().get(path).status_code == 410
            assert Client().get(path + "more/").status_code == 404
            assert Client().get(f"/account/password/reset/key/1-{secret}/x/").status_code == 200
        assert "invitation" in stream.text
        assert secret not in stream.text

    def test_an_invitation_s_address_is_told_to_no_other_page(self, cast):
        _invitation, secret = Invitation.issue(
            club=cast.club, email="new@example.org", role="assistant", invited_by=cast.head_coach
        )
        answer = Client().get(reverse("invitation", args=[secret]))
        # Without any referrer a browser's form would have no origin either, and be refused.
        assert answer["Referrer-Policy"] == "same-origin"
        assert "no-store" in answer["Cache-Control"]

    def test_a_new_session_key_with_a_new_account(self, cast):
        _invitation, secret = Invitation.issue(
            club=cast.club, email="new@example.org", role="assistant", invited_by=cast.head_coach
        )
        client = Client()
        session = client.session
        session["planted"] = "by somebody else"
        session.save()
        before = session.session_key
        fields = {"given_name": "New", "password": make.PASSWORD}
        assert client.post(reverse("invitation", args=[secret]), fields).status_code == 302
        assert client.session["_auth_user_id"]
        assert client.session.session_key != before

    @pytest.mark.parametrize("where", ["https://elsewhere.example/", "//elsewhere.example", "javascript:x"])
    def test_no_way_out_leads_elsewhere(self, cast, where):
        client = cast.client(cast.student)
        for name in ("account_logout", "account_login"):
            answer = client.post(f"{reverse(name)}?next={where}", {"next": where})
            assert "elsewhere" not in answer.get("Location", "")
            assert "javascript" not in answer.get("Location", "")


class LogOf:
    """What the console of a real process would show: the root handlers' own filters and formatter."""

    def __enter__(self):
        from io import StringIO

        self.stream = StringIO()
        self.handlers = [h for h in logging.getLogger().handlers if type(h) is logging.StreamHandler]
        assert self.handlers, "the settings' console handler is there"
        self.before = [handler.setStream(self.stream) for handler in self.handlers]
        return self

    def __exit__(self, *problem):
        for handler, stream in zip(self.handlers, self.before, strict=True):
            handler.setStream(stream)

    @property
    def text(self):
        return self.stream.getvalue()


class TestAnswers:
    def test_nothing_about_people_is_left_in_a_cache(self, cast, world):
        seen = 0
        _token, secret = ApiToken.issue(user=cast.head_coach, name="a device")
        by_token = Client(headers={"Authorization": f"Token {secret}"})
        askers = [cast.client(cast.head_coach), cast.client(cast.student), cast.client(None)]
        for route in routes():
            if not route.in_club:
                continue
            for client in [*askers, *([by_token] if route.api else [])]:
                answer = client.get(address(route, "seaside", world))
                if answer.status_code in (302, 401, 405):
                    continue
                if getattr(answer, "streaming", False):
                    list(answer.streaming_content)
                assert "no-store" in answer["Cache-Control"], route.path
                assert answer["X-Content-Type-Options"] == "nosniff", route.path
                seen += 1
        assert seen > 60

    def test_whoever_left_the_club_is_a_stranger_everywhere(self, cast, world):
        Membership.objects.filter(club=cast.club).delete()
        for person in (cast.head_coach, cast.manager, cast.assistant, cast.student, cast.guardian):
            _token, secret = ApiToken.issue(user=person, name="a device")
            by_token = Client(headers={"Authorization": f"Token {secret}"})
            for route in routes():
                if route.in_club:
                    for client in [cast.client(person), *([by_token] if route.api else [])]:
                        path = address(route, "seaside", world)
                        assert client.get(path).status_code in (404, 405), path
                        assert client.post(path).status_code in (404, 405), path

    def test_a_closed_account_s_token_opens_nothing(self, cast):
        _token, secret = ApiToken.issue(user=cast.head_coach, name="a device")
        User.objects.filter(pk=cast.head_coach.pk).update(is_active=False)
        by_token = Client(headers={"Authorization": f"Token {secret}"})
        assert by_token.get(reverse("api:player-list", args=["seaside"])).status_code == 401

    def test_there_is_no_admin_and_no_debug_page(self, cast):
        answer = cast.client(cast.head_coach).get("/admin/")
        assert answer.status_code == 404
        assert b"URLconf" not in answer.content
        assert not re.search(rb"traceback|settings", answer.content, re.IGNORECASE)


class TestJunk:
    @pytest.mark.parametrize("page", ["abc", "-1", "0", "999999", "9" * 5000, "1e9", "%00", "%ED%A0%BD", "٣"])
    def test_a_page_that_is_no_number_is_no_error(self, cast, world, page):
        client = cast.client(cast.head_coach)
        for name in ("roster", "match_list", "desk", "queue", "programme", "request_analysis"):
            answer = client.get(reverse(name, args=["seaside"]) + f"?page={page}")
            assert answer.status_code == 200, name

    @pytest.mark.parametrize(
        "value", ["abc", "-1", "9" * 30, "9" * 5000, "1e400", "NaN", "%00", "%ff", "1.5", ""]
    )
    def test_a_filter_that_makes_no_sense_is_no_error(self, cast, world, value):
        client = cast.client(cast.head_coach)
        for path in (
            "people/?level=",
            "people/?name=",
            "people/?left=",
            "people/invite/?person=",
            "people/invite/?role=",
        ):
            assert client.get(f"/c/seaside/{path}{value}").status_code == 200, path
        for path in ("desk/request/?match=",):
            assert client.get(f"/c/seaside/{path}{value}").status_code in (200, 404), path
        filters = {
            "players": "level name side active page",
            "drills": "area check stage place page",
            "matches": "kind played_on__lte played_on__gte page",
            "analyses": "state purpose due_on__lte page",
            "scores": "player area since series page",
            "focus": "player state page",
            "homework": "player week_of page",
        }
        for name, fields in filters.items():
            for field in fields.split():
                answer = client.get(f"/c/seaside/api/v1/{name}/?{field}={value}")
                assert answer.status_code in (200, 400, 404), (name, field)

    @pytest.mark.parametrize("number", ["0", "9" * 10, "9" * 19, "9" * 30, "9" * 5000])
    def test_a_number_in_an_address_may_be_as_long_as_it_likes(self, cast, world, number):
        client = cast.client(cast.head_coach)
        for path in (
            f"situations/{number}/still/",
            f"people/{cast.ana.uuid}/guardians/{number}/remove/",
            f"padel/{cast.ana.uuid}/focus/{number}/drop/",
        ):
            for answer in (client.get(f"/c/seaside/{path}"), client.post(f"/c/seaside/{path}")):
                assert answer.status_code in (404, 405), path

    @pytest.mark.parametrize("value", ["x\x00y", "9" * 30, "9" * 5000, "-1", "😀", "x" * 70_000, "[]"])
    def test_a_form_filled_with_junk_is_shown_again(self, cast, world, value):
        client = cast.client(cast.head_coach)
        names = {
            name
            for route in routes()
            if route.in_club and not route.api
            for name in re.findall(
                rb'name="([\w-]+)"',
                client.get(address(route, "seaside", world)).content
                if "GET" in (route.rights or {}) and "bytes" not in route.path and "still" not in route.path
                else b"",
            )
        }
        fields = {name.decode(): value for name in names} | {"match": str(world["matches"])}
        fields.pop("withdraw", None)
        assert len(fields) > 40
        for route in routes():
            if route.in_club and not route.api:
                answer = client.post(address(route, "seaside", world), fields)
                assert answer.status_code < 500, route.path
        answer = client.post(reverse("tokens"), fields)
        assert answer.status_code < 500
