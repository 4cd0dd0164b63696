"""From the form to a member: the mail, the address in it, one click that counts, and nothing for strangers."""

import re
from datetime import date, timedelta
from smtplib import SMTPException
from urllib.parse import urlsplit

import pytest
from allauth.account.models import EmailAddress
from django.core import mail
from django.core.exceptions import ValidationError
from django.db import transaction
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse
from django.utils import timezone, translation

from clubcoach.access import Role
from clubcoach.models import AuditEvent, Club, Invitation, Membership, User
from players import services
from players.models import Guardianship, Player
from players.services.invitations import roles_to_invite
from players.signals import invitation_accepted
from tests import factories as make

pytestmark = pytest.mark.django_db

NEW = {"given_name": "Nora", "family_name": "Nueva", "language": "en", "password": "walls-and-glass-47"}


@pytest.fixture
def send(cast, django_capture_on_commit_callbacks):
    """Invite, and give back the path that stands in the mail."""

    def by_service(role="assistant", email="new@example.org", **fields):
        with django_capture_on_commit_callbacks(execute=True):
            services.invite(
                **({"by": cast.manager, "club": cast.club, "email": email, "role": role} | fields)
            )
        return path_in(mail.outbox[-1])

    return by_service


def path_in(message):
    return urlsplit(re.search(r"https?://\S+", message.body).group()).path


def secret_in(path):
    return path.rstrip("/").rsplit("/", 1)[-1]


def roles_of(user, club):
    return set(Membership.objects.filter(user=user, club=club).values_list("role", flat=True))


class TestTheWholeWay:
    def test_a_new_assistant_from_the_form_to_the_club(self, cast, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            answer = cast.client(cast.head_coach).post(
                reverse("invite", args=["seaside"]),
                {"email": "New@Example.org", "role": "assistant", "language": "en"},
                follow=True,
            )
        assert "on its way to new@example.org" in answer.content.decode()
        (message,) = mail.outbox
        assert message.to == ["new@example.org"]
        assert message.subject == "Your invitation to Seaside Test Club"
        assert cast.head_coach.name in message.body
        assert "as assistant coach" in message.body
        assert "welfare@example.org" in message.body

        visitor = Client()
        page = visitor.get(path_in(message))
        assert page.status_code == 200
        assert "Seaside Test Club" in page.content.decode()
        assert "no-store" in page["Cache-Control"]
        joined = visitor.post(path_in(message), NEW)
        assert joined.status_code == 302
        assert joined["Location"] == reverse("club_home", args=["seaside"])
        user = User.objects.get(email="new@example.org")
        assert roles_of(user, cast.club) == {"assistant"}
        assert visitor.get(reverse("roster", args=["seaside"])).status_code == 200
        assert EmailAddress.objects.get(user=user).verified
        again = Client()
        again.post(reverse("account_login"), {"login": "new@example.org", "password": NEW["password"]})
        assert again.session["_auth_user_id"] == str(user.pk)
        used = Client().get(path_in(message))
        assert used.status_code == 410
        assert "was used already" in used.content.decode()
        actions = set(AuditEvent.objects.filter(club=cast.club).values_list("action", flat=True))
        assert {"invitation.sent", "invitation.accepted"} <= actions

    def test_a_student_becomes_their_player(self, cast, send):
        visitor = Client()
        path = send("student", person=cast.dan)
        assert f'value="{cast.dan.family_name}"' in visitor.get(path).content.decode()
        assert visitor.post(path, NEW).status_code == 302
        cast.dan.refresh_from_db()
        assert cast.dan.user.email == "new@example.org"
        assert roles_of(cast.dan.user, cast.club) == {"student"}

    def test_a_guardian_sees_the_child_and_no_other(self, cast, send):
        visitor = Client()
        visitor.post(send("guardian", person=cast.ben), NEW)
        assert Guardianship.objects.filter(player=cast.ben, guardian__email="new@example.org").exists()
        child = visitor.get(reverse("consent", args=["seaside", cast.ben.uuid]))
        assert child.status_code == 200
        assert visitor.get(reverse("consent", args=["seaside", cast.ana.uuid])).status_code == 404

    def test_somebody_with_an_account_signs_in_and_joins_a_second_club(self, cast, send):
        path = send("head_coach", email=cast.two_clubs.email, by=cast.stranger, club=cast.other_club)
        page = Client().get(path).content.decode()
        assert "There is an account with this address" in page
        assert "password" not in page.lower()
        assert f"{reverse('account_login')}?next={path}" in page
        client = cast.client(cast.two_clubs)
        assert "You are signed in as" in client.get(path).content.decode()
        assert client.post(path).status_code == 302
        assert roles_of(cast.two_clubs, cast.other_club) == {"student", "head_coach"}
        assert roles_of(cast.two_clubs, cast.club) == {"assistant"}
        assert User.objects.filter(email=cast.two_clubs.email).count() == 1

    def test_the_mail_speaks_the_language_that_was_asked_for(self, cast, send, settings):
        seen = []
        settings.LANGUAGES = [("en", "English"), ("es", "Spanish"), ("de", "German")]

        def spy(name, values):
            seen.append(translation.get_language())
            return render_to_string(name, values)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("players.services.invitations.render_to_string", spy)
            send(language="es")
            send(language="xx")
        assert seen == ["es", "es", "en", "en"]


class TestRefusals:
    def test_expired(self, cast, send):
        path = send()
        Invitation.objects.update(expires_at=timezone.now())
        page = Client().get(path)
        assert page.status_code == 410
        assert "has expired" in page.content.decode()
        assert Client().post(path, NEW).status_code == 410
        with pytest.raises(ValidationError, match="expired"):
            services.accept_invitation(secret=secret_in(path), **NEW)
        assert not User.objects.filter(email="new@example.org").exists()

    @pytest.mark.parametrize("secret", ["wrong", "a" * 43, "%00", "ñ"])
    def test_a_wrong_secret_says_nothing(self, cast, send, secret):
        send()
        for answer in (Client().get(f"/invitation/{secret}/"), Client().post(f"/invitation/{secret}/", NEW)):
            assert answer.status_code == 404
            assert "Seaside" not in answer.content.decode()
        with pytest.raises(ValidationError, match="no such invitation"):
            services.accept_invitation(secret=secret, **NEW)

    def test_an_account_and_no_account_look_the_same_to_whoever_invites(self, cast, send):
        told = []
        for email in (cast.stranger.email, "nobody@example.org"):
            answer = cast.client(cast.manager).post(
                reverse("invite", args=["seaside"]),
                {"email": email, "role": "assistant", "language": "en"},
                follow=True,
            )
            text = re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", answer.content.decode())
            text = re.sub(r'"X-CSRFToken": "\w+"', "", text)
            rows = text.replace(email, "THE ADDRESS")
            told.append(rows)
            Invitation.objects.all().delete()
        assert told[0] == told[1]

    def test_somebody_else_s_account_cannot_use_it(self, cast, send):
        path = send("head_coach")
        client = cast.client(cast.student)
        assert "sent to another address" in client.get(path).content.decode()
        answer = client.post(path)
        assert answer.status_code == 422
        assert "another address" in answer.content.decode()
        assert roles_of(cast.student, cast.club) == {"student"}
        assert Invitation.objects.get().accepted_at is None

    def test_without_signing_in_nobody_joins_as_a_known_address(self, cast, send):
        path = send("assistant", email=cast.stranger.email)
        with pytest.raises(ValidationError, match="There is an account with this address"):
            services.accept_invitation(secret=secret_in(path), **NEW)
        answer = Client().post(path, NEW)
        assert answer.status_code == 422
        assert roles_of(cast.stranger, cast.club) == set()
        cast.stranger.refresh_from_db()
        assert cast.stranger.check_password(make.PASSWORD)

    @pytest.mark.parametrize(
        ("fields", "words"),
        [
            ({"password": "short"}, "too short"),
            ({"password": "1234567890123"}, "entirely numeric"),
            ({"password": "password1234"}, "too common"),
            ({"password": "nora-nueva-nueva", "family_name": "Nora-Nueva-Nueva"}, "too similar"),
            ({"given_name": "  "}, "required"),
            ({"language": "xx"}, "not one of the available"),
        ],
    )
    def test_a_bad_answer_is_told_at_its_field_and_the_invitation_stays_good(self, cast, send, fields, words):
        path = send()
        answer = Client().post(path, NEW | fields)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not User.objects.filter(email="new@example.org").exists()
        assert Client().post(path, NEW).status_code == 302

    @pytest.mark.parametrize(
        ("role", "who", "field", "words"),
        [
            ("manager", "head_coach", "role", "own role"),
            ("assistant", "assistant", "role", "own role"),
            ("assistant", "student", "role", "own role"),
            ("assistant", "stranger", "role", "own role"),
            ("owner", "manager", "role", "own role"),
            ("student", "manager", "person", "Choose the player"),
            ("guardian", "manager", "person", "Choose the player"),
        ],
    )
    def test_roles_above_one_s_own_and_players_that_are_missing(self, cast, role, who, field, words):
        with pytest.raises(ValidationError) as error:
            services.invite(by=getattr(cast, who), club=cast.club, email="x@example.org", role=role)
        assert words in " ".join(error.value.message_dict[field])
        assert not Invitation.objects.exists()

    def test_players_that_do_not_fit(self, cast):
        for role, person, field, words in [
            ("student", cast.other_player, "person", "no player of the club"),
            ("student", cast.ana, "person", "has an account already"),
            ("guardian", cast.ana, "email", "of age"),
            ("assistant", cast.ana, "person", "Only a student or a guardian"),
        ]:
            with pytest.raises(ValidationError) as error:
                services.invite(
                    by=cast.manager, club=cast.club, email="x@example.org", role=role, person=person
                )
            assert words in " ".join(error.value.message_dict[field])
        with pytest.raises(ValidationError, match="valid email"):
            services.invite(by=cast.manager, club=cast.club, email="no address", role="assistant")
        with pytest.raises(ValidationError, match="that role here already"):
            services.invite(
                by=cast.manager, club=cast.club, email=cast.assistant.email.upper(), role="assistant"
            )
        assert not Invitation.objects.exists()

    def test_who_may_invite_whom(self, cast):
        assert roles_to_invite(cast.manager, cast.club) == list(Role)
        assert Role.MANAGER not in roles_to_invite(cast.head_coach, cast.club)
        assert len(roles_to_invite(cast.head_coach, cast.club)) == 4
        for nobody in (cast.assistant, cast.student, cast.guardian, cast.all_in_one, cast.stranger):
            assert roles_to_invite(nobody, cast.club) == []


class TestOnce:
    def test_two_clicks_accept_once(self, cast, send):
        path = send()
        heard = []
        invitation_accepted.connect(receiver := lambda user, **kwargs: heard.append(user.pk))
        services.accept_invitation(secret=secret_in(path), **NEW)
        with pytest.raises(ValidationError, match="used already"):
            services.accept_invitation(secret=secret_in(path), **NEW)
        invitation_accepted.disconnect(receiver)
        assert len(heard) == 1
        assert User.objects.filter(email="new@example.org").count() == 1

    def test_the_click_that_read_the_row_too_early_changes_nothing(self, cast, send, monkeypatch):
        """The second click found the invitation good; by the time it writes, the first has taken it."""
        path = send()
        honest = Invitation.problem

        def first_click_wins(invitation, now):
            said = honest(invitation, now)
            Invitation.objects.filter(pk=invitation.pk, accepted_at=None).update(accepted_at=now)
            return said

        monkeypatch.setattr(Invitation, "problem", first_click_wins)
        with pytest.raises(ValidationError, match="used already"):
            services.accept_invitation(secret=secret_in(path), **NEW)
        assert not User.objects.filter(email="new@example.org").exists()

    def test_a_newer_invitation_ends_the_older_one_for_the_same(self, cast, send):
        first, second = send(), send()
        other = send("head_coach")
        assert Client().get(first).status_code == 410
        assert Client().get(second).status_code == 200
        assert Client().get(other).status_code == 200

    def test_two_invitations_for_one_player_and_one_is_first(self, cast, send):
        one = send("student", email="one@example.org", person=cast.dan)
        other = send("student", email="other@example.org", person=cast.dan)
        assert Client().post(one, NEW).status_code == 302
        answer = Client().post(other, NEW)
        assert answer.status_code == 422
        assert "has an account already" in answer.content.decode()
        assert not User.objects.filter(email="other@example.org").exists()

    def test_an_account_is_one_player_of_a_club(self, cast, send):
        path = send("student", email=cast.student.email, person=cast.dan)
        answer = cast.client(cast.student).post(path)
        assert answer.status_code == 422
        assert "belongs to another player" in answer.content.decode()

    def test_a_player_who_left_the_roster_meanwhile(self, cast, send):
        path = send("student", person=cast.dan)
        Player.objects.filter(pk=cast.dan.pk).delete()
        assert "not on the roster any more" in Client().post(path, NEW).content.decode()

    def test_a_child_that_came_of_age_meanwhile(self, cast, send):
        path = send("guardian", person=cast.ben)
        Player.objects.filter(pk=cast.ben.pk).update(born_on=date(2000, 1, 1))
        assert "of age" in Client().post(path, NEW).content.decode()
        assert not User.objects.filter(email="new@example.org").exists()


class TestMail:
    def test_nothing_is_sent_when_the_invitation_is_taken_back(
        self, cast, django_capture_on_commit_callbacks
    ):
        with django_capture_on_commit_callbacks(execute=True), pytest.raises(RuntimeError):  # noqa: PT012, SIM117
            with transaction.atomic():
                services.invite(by=cast.manager, club=cast.club, email="x@example.org", role="assistant")
                raise RuntimeError
        assert mail.outbox == []

    def test_a_mail_server_that_is_away_is_said_and_the_invitation_ends(
        self, cast, monkeypatch, django_capture_on_commit_callbacks
    ):
        def away(*args, **kwargs):
            raise SMTPException("away")

        monkeypatch.setattr("players.services.invitations.send_mail", away)
        with django_capture_on_commit_callbacks(execute=True):
            invitation = services.invite(
                by=cast.manager, club=cast.club, email="x@example.org", role="assistant"
            )
        assert invitation.unsent
        assert Invitation.objects.get().expires_at <= timezone.now()

    def test_a_club_s_name_cannot_add_headers(self, cast, send):
        Club.objects.filter(pk=cast.club.pk).update(name="Sea\r\nBcc: all@example.org <b>")
        send(club=Club.objects.get(pk=cast.club.pk))
        assert mail.outbox[-1].subject == "Your invitation to Sea Bcc: all@example.org <b>"

    def test_only_a_digest_of_the_secret_is_kept(self, cast, send):
        path = send()
        row = Invitation.objects.values().get()
        assert secret_in(path) not in str(row)
        assert row["expires_at"] - row["created_at"] == timedelta(days=14)


class TestGuardianPage:
    def post(self, cast, email, person=None):
        return cast.client(cast.head_coach).post(
            reverse("guardian_add", args=["seaside", (person or cast.ben).uuid]),
            {"email": email},
            follow=True,
        )

    def test_a_member_is_added_at_once(self, cast):
        assert "is a guardian now" in self.post(cast, cast.assistant.email.upper()).content.decode()
        assert Guardianship.objects.filter(player=cast.ben, guardian=cast.assistant).exists()

    def test_anybody_else_is_invited(self, cast):
        assert "on its way" in self.post(cast, cast.stranger.email).content.decode()
        assert Invitation.objects.get().person == cast.ben.uuid
        assert not Guardianship.objects.filter(guardian=cast.stranger).exists()

    def test_no_guardian_for_somebody_of_age(self, cast):
        answer = self.post(cast, "x@example.org", cast.ana)
        assert answer.status_code == 422
        assert "of age" in answer.content.decode()
