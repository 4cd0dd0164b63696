"""The first page, a job's progress, keys to the JSON interface."""

import pytest
from django.urls import reverse
from django.utils import timezone

from clubcoach.models import ApiToken, Job, Membership
from tests import factories as make

pytestmark = pytest.mark.django_db


class TestHome:
    def test_one_club_is_opened_at_once(self, cast):
        answer = cast.client(cast.student).get("/")
        assert answer["Location"] == reverse("club_home", args=["seaside"])

    def test_two_clubs_are_listed_and_three_roles_are_one_club(self, cast):
        page = cast.client(cast.two_clubs).get("/").content.decode()
        assert "Hilltop Test Club" in page
        assert "Seaside Test Club" in page
        assert cast.client(cast.all_in_one).get("/").status_code == 302

    def test_no_club_says_what_to_do(self, cast):
        nobody = make.make_user("Nobody")
        page = cast.client(nobody).get("/").content.decode()
        assert nobody.email in page
        assert "ask your club to send one" in page
        assert "Test Club" not in page

    @pytest.mark.parametrize(
        ("who", "name"),
        [
            ("head_coach", "today"),
            ("assistant", "today"),
            ("manager", "programme"),
            ("student", "my_padel"),
            ("guardian", "my_padel"),
            ("all_in_one", "today"),
        ],
    )
    def test_each_role_begins_at_its_work(self, cast, who, name):
        answer = cast.client(getattr(cast, who)).get(reverse("club_home", args=["seaside"]))
        assert answer["Location"] == reverse(name, args=["seaside"])


class TestJob:
    @pytest.fixture
    def job(self, cast):
        return Job.objects.create(
            kind="x", club=cast.club, asked_by=cast.assistant, state="running", progress=40, note="half <way>"
        )

    def get(self, cast, who, job, **headers):
        return cast.client(who).get(reverse("job", args=["seaside", job.uuid]), headers=headers)

    def test_progress_in_words_asked_again_each_second(self, cast, job):
        page = self.get(cast, cast.assistant, job).content.decode()
        assert "40 of 100" in page
        assert "half &lt;way&gt;" in page
        assert 'hx-trigger="every 1s"' in page
        assert "Look again" in page

    def test_htmx_gets_the_part_alone(self, cast, job):
        part = self.get(cast, cast.assistant, job, **{"hx-request": "true"}).content.decode()
        assert "40 of 100" in part
        assert "<html" not in part
        assert "<h1" not in part

    @pytest.mark.parametrize("state", ["done", "failed", "stopped"])
    def test_asking_ends_when_the_work_is_over(self, cast, job, state):
        Job.objects.filter(pk=job.pk).update(state=state, finished_at=timezone.now())
        part = self.get(cast, cast.assistant, job, **{"hx-request": "true"}).content.decode()
        assert "hx-trigger" not in part
        assert "Look again" not in part
        assert "Ended" in part

    def test_whose_it_is(self, cast, job):
        assert self.get(cast, cast.head_coach, job).status_code == 200
        for other in (cast.student, cast.manager, cast.two_clubs, cast.stranger):
            assert self.get(cast, other, job).status_code == 404


class TestKeys:
    def test_the_secret_is_on_one_answer_only(self, cast):
        client = cast.client(cast.assistant)
        assert "No keys" in client.get(reverse("tokens")).content.decode()
        page = client.post(reverse("tokens"), {"name": "my script"}).content.decode()
        secret = page.split("<code>")[1].split("</code>")[0]
        headers = {"authorization": f"Token {secret}"}
        assert (
            cast.client(None).get(reverse("api:player-list", args=["seaside"]), headers=headers).status_code
            == 200
        )
        again = client.get(reverse("tokens")).content.decode()
        assert secret not in again
        assert "my script" in again
        assert ApiToken.objects.get().last_used_at is not None

    def test_a_key_ends_at_once_and_only_one_s_own(self, cast):
        token, secret = ApiToken.issue(user=cast.assistant, name="mine")
        for wrong in ("", "abc", "9" * 30, str(token.pk)):
            cast.client(cast.student).post(reverse("tokens"), {"end": wrong})
        assert ApiToken.objects.count() == 1
        page = cast.client(cast.assistant).post(reverse("tokens"), {"end": token.pk}, follow=True)
        assert "The key is gone" in page.content.decode()
        headers = {"authorization": f"Token {secret}"}
        assert (
            cast.client(None).get(reverse("api:player-list", args=["seaside"]), headers=headers).status_code
            == 401
        )

    def test_a_key_that_ran_out_and_one_of_somebody_who_left(self, cast):
        _token, secret = ApiToken.issue(user=cast.assistant, name="old")
        headers = {"authorization": f"Token {secret}"}
        path = reverse("api:player-list", args=["seaside"])
        Membership.objects.filter(user=cast.assistant).delete()
        assert cast.client(None).get(path, headers=headers).status_code == 404
        ApiToken.objects.update(expires_at=timezone.now())
        assert cast.client(None).get(path, headers=headers).status_code == 401

    def test_a_key_has_a_purpose(self, cast):
        page = cast.client(cast.assistant).post(reverse("tokens"), {"name": ""}).content.decode()
        assert "This field is required" in page
        assert not ApiToken.objects.exists()
