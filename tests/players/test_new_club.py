"""A club from the command line: whole with its lists and its invitation, or not at all."""

from io import StringIO

import pytest
from django.core import mail
from django.core.management import CommandError, call_command

from clubcoach.models import AuditEvent, Club, Invitation, Membership, User
from players import services
from players.models import CheckListVersion, Drill, Level
from tests import factories as make

GOOD = {
    "name": "Fresh Club",
    "slug": "fresh",
    "time_zone": "America/Bogota",
    "head_coach": "Hana@Example.org",
}


def new_club(**options):
    said = StringIO()
    call_command("new_club", stdout=said, **{**GOOD, **options})
    return said.getvalue()


@pytest.fixture
def commits(django_capture_on_commit_callbacks):
    return django_capture_on_commit_callbacks


@pytest.mark.django_db
def test_the_club_its_lists_and_the_invitation(commits, settings):
    settings.SITE_URL = "https://club.example"
    with commits(execute=True):
        said = new_club()
    club = Club.objects.get()
    assert (club.name, club.slug, club.time_zone) == ("Fresh Club", "fresh", "America/Bogota")
    assert CheckListVersion.objects.filter(club=club, number=1).exists()
    assert Level.objects.filter(club=club).count() == 3
    assert Drill.objects.filter(club=club).exists()
    (message,) = mail.outbox
    assert message.to == ["hana@example.org"]
    assert "You are invited to Fresh Club as head coach." in message.body
    assert "None" not in message.body
    link = next(line for line in said.splitlines() if "/invitation/" in line)
    assert link in message.body
    assert link.startswith("https://club.example/invitation/")
    assert "https://club.example/c/fresh/" in said
    assert "club.founded" in AuditEvent.objects.values_list("action", flat=True)


@pytest.mark.django_db
def test_the_printed_address_makes_its_reader_head_coach(commits, client):
    with commits(execute=True):
        secret = new_club().strip().rsplit("/", 2)[1]
    answer = client.get(f"/invitation/{secret}/")
    assert b"You are invited as head coach." in answer.content
    services.accept_invitation(secret=secret, given_name="Hana", password="a-long-enough-password")
    member = Membership.objects.get()
    assert (member.role, member.user.email, member.club.slug) == ("head_coach", "hana@example.org", "fresh")


@pytest.mark.django_db
def test_a_mail_that_cannot_go_is_said_and_the_address_still_works(commits, monkeypatch):
    def away(*args, **kwargs):
        raise ConnectionRefusedError

    monkeypatch.setattr("players.services.invitations.send_mail", away)
    said = StringIO()
    with commits(execute=True):
        founded = services.found_club(**GOOD)
    assert founded.invitation.unsent
    services.accept_invitation(secret=founded.secret, given_name="Hana", password="a-long-enough-password")
    assert User.objects.get().email == "hana@example.org"
    assert said.getvalue() == ""


@pytest.mark.django_db(transaction=True)
def test_the_command_says_that_the_mail_did_not_go(monkeypatch):
    def away(*args, **kwargs):
        raise ConnectionRefusedError

    monkeypatch.setattr("players.services.invitations.send_mail", away)
    said = new_club()
    assert "could not be sent: pass the address below on yourself" in said
    assert "/invitation/" in said


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("options", "where", "words"),
    [
        ({"slug": "two words"}, "--slug", "no address"),
        ({"slug": "Fresh"}, "--slug", "no address"),
        ({"slug": ""}, "--slug", "no address"),
        ({"slug": "a" * 51}, "--slug", "at most 50"),
        ({"slug": "taken"}, "--slug", "already"),
        ({"time_zone": "Europe/Nowhere"}, "--time-zone", "is no time zone"),
        ({"head_coach": "nobody"}, "--head-coach", "no e-mail address"),
        ({"name": " "}, "--name", "blank"),
        ({"language": "xx"}, "--language", "not offered"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_made(options, where, words):
    make.make_club("taken")
    before = AuditEvent.objects.count()
    with pytest.raises(CommandError) as refused:
        new_club(**options)
    told = str(refused.value)
    assert told.startswith("No club was made.")
    assert where in told
    assert words in told
    assert Club.objects.count() == 1
    assert (Invitation.objects.count(), AuditEvent.objects.count()) == (0, before)
    assert not mail.outbox


@pytest.mark.django_db
def test_everything_wrong_is_said_at_once():
    with pytest.raises(CommandError) as refused:
        new_club(slug="two words", time_zone="Nowhere", head_coach="nobody")
    assert all(name in str(refused.value) for name in ("--slug", "--time-zone", "--head-coach"))
